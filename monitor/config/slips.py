"""Recognises a number typed in another unit, so that a message can say what was meant."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from annotated_types import Ge, Le

from monitor.core.units import S_PER_MIN

_LOOKS_LIKE_MM = 300.0  # tanks are 30 to 300 cm long: above this, millimetres are likelier
_FREEZING_F = 32.0
_F_PER_C = 1.8

_Guess = tuple[str, str, Callable[[float], float]]  # the unit meant, ours, and the way between

_MM: _Guess = ("millimetres", "m", lambda x: x / 1000)
_CM: _Guess = ("centimetres", "m", lambda x: x / 100)
_BY_ENDING: dict[str, _Guess] = {
    "_c": ("°F", "°C", lambda x: (x - _FREEZING_F) / _F_PER_C),
    "_l": ("millilitres", "L", lambda x: x / 1000),
    "_lpm": ("litres per hour", "L/min", lambda x: x / S_PER_MIN),
    "_s": ("milliseconds", "s", lambda x: x / 1000),
    "uncertainty": ("per cent", "", lambda x: x / 100),
    "pulses_per_litre": ("Hz per L/min", "pulses per litre", lambda x: x * S_PER_MIN),
}


def _guesses(name: str, value: float) -> tuple[_Guess, ...]:
    """Return the units that the number may have been meant in, the likeliest first."""
    if name.endswith("_m"):
        return (_MM, _CM) if value >= _LOOKS_LIKE_MM else (_CM, _MM)
    return tuple(guess for ending, guess in _BY_ENDING.items() if name.endswith(ending))


def slip(name: str, value: object, bounds: Sequence[object]) -> str:
    """Return the fix for a value that is not allowed: what was meant, if that can be guessed.

    `bounds` are the marks pydantic keeps of a field's `ge` and `le`.
    """
    low = next((b.ge for b in bounds if isinstance(b, Ge)), None)
    high = next((b.le for b in bounds if isinstance(b, Le)), None)
    if not isinstance(low, int | float) or not isinstance(high, int | float):
        return "write one of what is allowed"
    if isinstance(value, int | float) and not isinstance(value, bool):
        for looks_like, unit, convert in _guesses(name, value):
            if low <= (meant := convert(value)) <= high:
                told = f"{meant:.3g}" if meant < low + 1 and unit == "" else f"{meant:.2f}"
                return (
                    f"did you mean {told} {unit}".rstrip()
                    + f"? ({value:g} looks like {looks_like})"
                )
    return "write a number in that range"
