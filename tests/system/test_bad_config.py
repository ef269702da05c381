"""A config that cannot be right: every command says what, where, what is allowed and how to fix it,
and starts nothing.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from support.commands import MACHINES_OWN, brimwatch, write_config


@dataclass(frozen=True)
class Mistake:
    """One thing wrong: the lines to change, the key that must be named, and words of the answer."""

    changes: dict[str, str]
    key: str
    words: tuple[str, ...]


MISTAKES = {
    "no such pin": Mistake(
        {"station__river__valve__pin": "99"}, "station.river.valve.pin", ("27",)
    ),
    "two things on one pin": Mistake(
        {"station__river__sensor__floor__pin": "22"}, "station.river.sensor.floor.pin", ("22",)
    ),
    "a tank of 200 m": Mistake(
        {"station__river__vessel__length_m": "200.0"},
        "station.river.vessel.length_m",
        ("did you mean 2", "10"),
    ),
    "an unknown key": Mistake(
        {"station__river__vessel__length_m": "2.0\nlenght_m = 2.0"},
        "station.river.vessel.lenght_m",
        ("length_m",),
    ),
    "a band upside down": Mistake(
        {
            "station__river__incoming__low_c": "27.0",
            "station__river__incoming__high_c": "23.0",
        },
        "station.river.incoming.low_c",
        ("upside down",),
    ),
}


@pytest.fixture
def taken() -> Iterator[socket.socket]:
    """Take the config's port, so that a broker could not start on it, nor anybody call there
    unseen.
    """
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        taken.setblocking(False)
        yield taken


@pytest.mark.parametrize("mistake", MISTAKES.values(), ids=MISTAKES)
@pytest.mark.parametrize("command", [("check",), ("run",), ("simulate", "--once")], ids=" ".join)
def test_a_bad_config_starts_nothing(
    command: tuple[str, ...], mistake: Mistake, taken: socket.socket, tmp_path: Path
) -> None:
    """Claim: check, run and simulate exit with 2 and tell file, key, what is allowed and the fix;
    no broker is started or called, and no record is begun.
    """
    port = str(taken.getsockname()[1])
    config = write_config(tmp_path, broker__port=port, **mistake.changes)
    done = brimwatch(*command, "--config", str(config), cwd=tmp_path)
    assert done.code == 2
    told = done.out + done.err
    line = next(line for line in told.splitlines() if mistake.key in line)
    assert str(config) in line
    assert re.search(r"\(allowed: .+\)", line)
    assert re.search(r"Fix: .+\.$", line)
    for word in mistake.words:
        assert word in line
    with pytest.raises(BlockingIOError):
        taken.accept()
    assert list(tmp_path.iterdir()) == [config]


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    """Claim: a config with five mistakes is answered with all five, as text and as JSON."""
    changes = {key: text for each in MISTAKES.values() for key, text in each.changes.items()}
    # Two of them are about one line.
    changes["station__river__vessel__length_m"] = "200.0\nlenght_m = 2.0"
    config = write_config(tmp_path, **changes)
    text = brimwatch("check", "--config", str(config), cwd=tmp_path)
    data = brimwatch("check", "--config", str(config), "--json", cwd=tmp_path)
    assert text.code == data.code == 2
    keys = {each["key"] for each in data.objects}
    assert keys >= {mistake.key for mistake in MISTAKES.values()}
    assert all(each["ok"] is False for each in data.objects)
    assert all(each["wrong"] and each["allowed"] and each["fix"] for each in data.objects)
    assert len(text.lines) == len(data.objects)


def test_a_good_config_passes(tmp_path: Path) -> None:
    """Claim: the sample, changed in nothing but its port and record, has nothing wrong."""
    config = write_config(tmp_path)
    done = brimwatch("check", "--config", str(config), "--json", cwd=tmp_path)
    assert (done.code, done.last["ok"], done.last["stations"]) == (0, True, ["river"])


@pytest.mark.skipif(MACHINES_OWN.is_file(), reason="this machine has a config of its own")
@pytest.mark.parametrize("command", ["run", "node", "engine"])
def test_without_a_config_no_real_role_starts(command: str, tmp_path: Path) -> None:
    """Claim: the invented tank is for simulation; a role at real pins wants a config of its own."""
    done = brimwatch(command, cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert "--config" in done.err
    assert list(tmp_path.iterdir()) == []
