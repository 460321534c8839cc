"""The product's tasks, quick for small pictures, with real pages for the proof pictures."""

from __future__ import annotations

from tests.running import quick_worker

quick_worker.real_pages = True
TASKS = quick_worker.TASKS
warm_up = quick_worker.warm_up
