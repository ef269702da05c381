"""The pure core: no I/O, no clock, no logging, no asyncio. Time is always an argument."""
