"""Recordings through the core: what it would have foretold, told and done. No broker, no clock.

It stands beside `stage`, above everything but the command line: a recording is a whole station
without its pins.
"""
