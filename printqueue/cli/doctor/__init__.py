"""Checks that studio, machine and service are set up right, and says what to do if not. Read-only."""

from printqueue.cli.doctor.examination import CHECKS, examine
from printqueue.cli.doctor.result import Health, Result

__all__ = ["CHECKS", "Health", "Result", "examine"]
