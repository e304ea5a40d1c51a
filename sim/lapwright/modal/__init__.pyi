"""What is public; brought by `lapwright.face`."""

from lapwright.modal.operator import LinearSystem as LinearSystem
from lapwright.modal.operator import Operator as Operator
from lapwright.modal.propagator import Propagator as Propagator
from lapwright.modal.reduced_model import ReducedModel as ReducedModel
from lapwright.modal.spectrum import Mode as Mode
from lapwright.modal.spectrum import Spectrum as Spectrum
from lapwright.modal.step_analysis import StepAnalysis as StepAnalysis
from lapwright.modal.step_analysis import reason_of as reason_of
