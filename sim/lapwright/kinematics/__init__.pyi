"""What is public; brought by `lapwright.face`."""

from lapwright.kinematics.motion import Motion as Motion
from lapwright.kinematics.motion import Poses as Poses
from lapwright.kinematics.overhang import Worst as Worst
from lapwright.kinematics.overhang import overhangs as overhangs
from lapwright.kinematics.overhang import worst_overhang as worst_overhang
from lapwright.kinematics.schedule import Stay as Stay
from lapwright.kinematics.schedule import kappa as kappa
from lapwright.kinematics.schedule import rubbing_time as rubbing_time
from lapwright.kinematics.schedule import stays as stays
from lapwright.kinematics.sliding import Invariants as Invariants
from lapwright.kinematics.sliding import invariants_of as invariants_of
