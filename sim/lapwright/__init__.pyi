"""What is public; brought by `lapwright.face`."""

from lapwright.errors import LapwrightError as LapwrightError
from lapwright.errors import StudyError as StudyError
from lapwright.metrology.flatness import minimum_zone as minimum_zone
from lapwright.metrology.form import EdgeMargin as EdgeMargin
from lapwright.metrology.form import Form as Form
from lapwright.metrology.form import measure as measure
from lapwright.metrology.reading import Reading as Reading
from lapwright.optimisation.book import Book as Book
from lapwright.optimisation.comparison import Comparison as Comparison
from lapwright.results.record import Run as Run
from lapwright.specification.grooves import Grooves as Grooves
from lapwright.specification.materials import Material as Material
from lapwright.specification.outline import Disc as Disc
from lapwright.specification.outline import Rectangle as Rectangle
from lapwright.specification.outline import Ring as Ring
from lapwright.specification.plate import Plate as Plate
from lapwright.specification.plate import StartForm as StartForm
from lapwright.specification.step import Grit as Grit
from lapwright.specification.step import Hand as Hand
from lapwright.specification.step import Layer as Layer
from lapwright.specification.step import Load as Load
from lapwright.specification.step import Step as Step
from lapwright.specification.step import Swap as Swap
from lapwright.specification.step import Turn as Turn
from lapwright.specification.step import Until as Until
from lapwright.specification.step import Wear as Wear
from lapwright.study.goal import Goal as Goal
from lapwright.study.model import Study as Study

__version__: str
