"""Drivers for the parts on the pins and the 1-Wire bus: the only place that knows a pin library.

Each takes its pin factory as an argument, so the same driver runs on a real chip, on mock pins and
on the simulated ones. None of them holds a rule: they say what a part says, or that it is faulty.
"""
