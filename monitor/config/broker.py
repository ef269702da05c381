"""Checks the broker's address, and puts the password from its file into it."""

from __future__ import annotations

from pathlib import Path
from typing import Final, NamedTuple
from urllib.parse import SplitResult, quote, urlsplit

from monitor.config.parts import Broker

LOOPBACK: Final = frozenset({"127.0.0.1", "::1", "localhost"})
PASSWORD_MAX_BYTES: Final = 1024
_FOR_OTHERS: Final = 0o007
_DEFAULT_PORTS: Final = {"mqtt": 1883, "mqtts": 8883}
_FORM: Final = '"embedded", mqtt://user@host:1883 or mqtts://user@host:8883'


class Finding(NamedTuple):
    """Something wrong, its key counted from the table being looked at."""

    key: str
    wrong: str
    allowed: str
    fix: str


def broker_address(broker: Broker, *, port_given: bool) -> tuple[str, list[Finding]]:
    """Return the full address with its port and password, and what is wrong with it.

    No message ever quotes the address, since a password may stand in it.
    """
    address = broker.url.get_secret_value()
    if broker.embedded:
        return address, _embedded_findings(broker)
    try:
        parts = urlsplit(address)
        port = parts.port or _DEFAULT_PORTS.get(parts.scheme, 0)
    except ValueError:
        return address, [Finding("url", "is not an address", _FORM, "correct it")]
    found = _form_findings(parts)
    if port_given:
        fix = "write the port at the end of url, and take this key out"
        found.append(Finding("port", "is only for the embedded broker", "", fix))
    password, more = _password(broker, parts)
    found += more
    if found:
        return address, found
    user = f"{parts.username}:{password}@" if parts.username else ""
    host = f"[{parts.hostname}]" if ":" in (parts.hostname or "") else parts.hostname
    return f"{parts.scheme}://{user}{host}:{port}", []


def _embedded_findings(broker: Broker) -> list[Finding]:
    if broker.password_file is None:
        return []
    wrong = "the embedded broker takes no password: it answers on 127.0.0.1 only"
    return [Finding("password_file", wrong, "", "take it out, or give url")]


def _form_findings(parts: SplitResult) -> list[Finding]:
    """Check an address for its form, and that a stranger on the network is kept out."""
    if parts.scheme not in _DEFAULT_PORTS or not parts.hostname:
        return [Finding("url", "is not a broker's address", _FORM, "begin it with mqtt://")]
    if parts.path.strip("/") or parts.query or parts.fragment:
        fix = "end it after the port; write @, / and ? inside a password as %40, %2F and %3F"
        return [Finding("url", "has something after the port", _FORM, fix)]
    if parts.hostname not in LOOPBACK and not parts.username:
        wrong = "has no user: anybody on the network could open the valve"
        fix = "give the broker users, and write mqtt://user@host with a password_file"
        return [Finding("url", wrong, _FORM, fix)]
    return []


def _password(broker: Broker, parts: SplitResult) -> tuple[str, list[Finding]]:
    """Return the password, still quoted as an address wants it, and what is wrong with it."""
    if broker.password_file is None:
        return parts.password or "", []
    key = "password_file"
    if parts.password or not parts.username:
        fix = "write the user in url, and the password in the file only"
        return "", [Finding(key, "needs url with a user and no password", "", fix)]
    path = Path(broker.password_file)
    try:
        if path.stat().st_mode & _FOR_OTHERS:
            fix = f"chmod o= {path}"
            return "", [Finding(key, "can be read by every user", "owner and group only", fix)]
        with path.open("rb") as stream:
            secret = stream.read(PASSWORD_MAX_BYTES + 1).decode().strip()
    except (OSError, UnicodeDecodeError):
        fix = "make the file, with the password as its only line"
        return "", [Finding(key, "cannot be read", "a readable text file", fix)]
    if not secret or len(secret) > PASSWORD_MAX_BYTES or "\n" in secret:
        return "", [Finding(key, "holds no usable password", "one line", "correct the file")]
    return quote(secret, safe=""), []
