"""What is public; brought by `lapwright.face`."""

from lapwright.optimisation.advise import Advice as Advice
from lapwright.optimisation.book import Book as Book
from lapwright.optimisation.comparison import Comparison as Comparison
from lapwright.optimisation.entry import Entry as Entry
from lapwright.optimisation.history import Chapter as Chapter
from lapwright.optimisation.track import Candidate as Candidate
from lapwright.optimisation.track import Evaluation as Evaluation
