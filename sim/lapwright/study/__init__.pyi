"""What is public; brought by `lapwright.face`."""

from lapwright.study.goal import Effort as Effort
from lapwright.study.goal import Goal as Goal
from lapwright.study.model import Axis as Axis
from lapwright.study.model import Study as Study
from lapwright.study.model import Sweep as Sweep
from lapwright.study.model import Tune as Tune
from lapwright.study.model import Variant as Variant
from lapwright.study.read import load as load
from lapwright.study.read import parse as parse
