"""Proof tests and calibrations: what a person does at the tank, and what must be seen of it.

`steps` says in words what to do, what to expect and when to stop; `onlooker` sees what goes over
the broker; `opening` has the valve opened by an attended fill, the only way there is; `runner`
waits for the real edge, step by step, and notes what has passed.
"""
