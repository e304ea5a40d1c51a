"""What is public; brought by `lapwright.face`."""

from lapwright.metrology.flatness import grades as grades
from lapwright.metrology.flatness import minimum_zone as minimum_zone
from lapwright.metrology.form import EdgeMargin as EdgeMargin
from lapwright.metrology.form import Form as Form
from lapwright.metrology.form import forms as forms
from lapwright.metrology.form import measure as measure
from lapwright.metrology.instruments import Gauge as Gauge
from lapwright.metrology.least_squares import Estimate as Estimate
from lapwright.metrology.least_squares import FormEstimate as FormEstimate
from lapwright.metrology.least_squares import estimate as estimate
from lapwright.metrology.reading import Reading as Reading
from lapwright.metrology.reading import usual_gauges as usual_gauges
from lapwright.metrology.surface import Surface as Surface
from lapwright.metrology.surface_files import read_surface as read_surface
from lapwright.metrology.surface_files import write_surface as write_surface
