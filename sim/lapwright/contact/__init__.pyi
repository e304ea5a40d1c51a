"""What is public; brought by `lapwright.face`."""

from lapwright.contact.average import Average as Average
from lapwright.contact.average import Pair as Pair
from lapwright.contact.average import Sample as Sample
from lapwright.contact.placement import mating as mating
from lapwright.contact.pressure import Bearing as Bearing
from lapwright.contact.pressure import Contact as Contact
from lapwright.contact.pressure import bearing as bearing
from lapwright.contact.pressure import peaks as peaks
from lapwright.contact.pressure import settle as settle
from lapwright.contact.sampling import block_sample as block_sample
from lapwright.contact.stability import Edge as Edge
from lapwright.contact.stability import Limits as Limits
from lapwright.contact.stability import along_the_stroke as along_the_stroke
from lapwright.contact.stability import check_stands as check_stands
from lapwright.contact.stability import over_the_edge as over_the_edge
