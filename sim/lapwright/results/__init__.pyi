"""What is public; brought by `lapwright.face`."""

from lapwright.results.findings import Finding as Finding
from lapwright.results.record import Face as Face
from lapwright.results.record import PlateRecord as PlateRecord
from lapwright.results.record import Run as Run
from lapwright.results.runfile import read_run as read_run
from lapwright.results.runfile import write_run as write_run
