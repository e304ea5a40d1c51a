"""What is public; brought by `lapwright.face`."""

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
