"""What is public; brought by `lapwright.face`."""

from lapwright.integration.estimate import Outlook as Outlook
from lapwright.integration.estimate import outlook as outlook
from lapwright.integration.estimate import outlooks as outlooks
from lapwright.integration.loop import lap as lap
from lapwright.integration.state import Progress as Progress
from lapwright.integration.state import Settings as Settings
from lapwright.integration.state import State as State
