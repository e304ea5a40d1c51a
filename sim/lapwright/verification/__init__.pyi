"""What is public; brought by `lapwright.face`."""

from lapwright.verification.proof import Proof as Proof
from lapwright.verification.proof import rows as rows
from lapwright.verification.proof import verify as verify
from lapwright.verification.scenes import Row as Row
