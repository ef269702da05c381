"""brimwatch: a fill-and-flood safety monitor for Raspberry Pi sensors."""

from __future__ import annotations

__version__ = "0.1.0"
