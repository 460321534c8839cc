"""Is this studio, machine and service set up right, and what to do if not. Looks only; changes nothing."""

from printqueue.cli.doctor.examination import CHECKS, examine
from printqueue.cli.doctor.result import Health, Result

__all__ = ["CHECKS", "Health", "Result", "examine"]
