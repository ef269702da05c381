"""The stage of a simulation: the real roles around invented water, in lock-step time."""

from __future__ import annotations

from monitor.stage.play import Stage
from monitor.stage.script import Script, governor_for
from monitor.stage.verdict import exit_code

__all__ = ["Script", "Stage", "exit_code", "governor_for"]
