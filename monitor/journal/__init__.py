"""The record of fills: one SQLite file, written by its own thread, read by anyone at any time."""
