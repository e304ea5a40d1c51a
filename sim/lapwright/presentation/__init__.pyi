"""What is public; brought by `lapwright.face`."""

from lapwright.presentation.card import write_card as write_card
from lapwright.presentation.comparison import comparison_page as comparison_page
from lapwright.presentation.page import write_page as write_page
from lapwright.presentation.tuning import tuning_page as tuning_page
