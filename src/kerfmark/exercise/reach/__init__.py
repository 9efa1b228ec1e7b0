"""Can the permitted instruments make the shape: what must go, where tools can stand, what is left."""

from __future__ import annotations

from kerfmark.exercise.reach.leftover import Leftover, reach
from kerfmark.exercise.reach.task import Task, task_of

__all__ = ["Leftover", "Task", "reach", "task_of"]
