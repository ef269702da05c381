"""The project's own house rules: what lies where, how long it is, what it says of itself."""

from __future__ import annotations

import ast
import asyncio
import getpass
import re
import shutil
import socket
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib import import_module
from importlib.metadata import packages_distributions
from pathlib import Path

import aiomqtt
import pytest

from monitor.config import Ds18b20, load
from monitor.core.exchange import AlarmNotice, Permit, Presence, Withdraw
from monitor.errors import (
    BrimwatchError,
    ConfigError,
    ExitCode,
    HardwareError,
    LinkError,
    RefusedError,
)
from monitor.link.topics import filter_for

ROOT = Path(__file__).parents[1]
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "SAFETY.md",
    "LICENSE",
    "pyproject.toml",
    ".gitignore",
    ".ci",
    "monitor",
    "tests",
    "hardware",
    "deploy",
}
FILE_LINES_MAX = 500
FUNCTION_LINES_MAX = 60
CORE_FUNCTION_LINES_MAX = 40
# Written in two pieces, so that this file does not hold what it looks for.
UNWANTED = [
    "pypi" + ".org",
    "python" + "hosted",
    "registry." + "npmjs",
    "deb." + "debian.org",
    "/wo" + "rk/",
    "/ro" + "ot/",
    "/opt/b" + "w/",
    "/tmp/br" + "ief",  # noqa: S108 - looked for, not used
]


def kept_files() -> list[Path]:
    """Return the files that git keeps or would keep."""
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("needs git and a clone: looks at the files that git keeps")
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    run = subprocess.run(command, cwd=ROOT, capture_output=True, check=True)
    paths = [ROOT / name for name in run.stdout.decode().split("\0") if name]
    return [path for path in paths if path.is_file()]


def sources(folder: str = "monitor") -> list[Path]:
    """Return the Python files below a folder, of which there must be some."""
    found = sorted((ROOT / folder).rglob("*.py"))
    assert found
    return found


def functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    """Yield every function of a file, inner ones too."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


def imports(path: Path) -> set[str]:
    """Return the top-level names that a file imports, anywhere in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.partition(".")[0])
    return names


# --- what lies where, and how long it is ---


def test_the_top_level_holds_only_what_belongs_there() -> None:
    """Claim: nothing lies about at the top of the project."""
    found = {path.relative_to(ROOT).parts[0] for path in kept_files()}
    assert found - TOP == set()
    assert [name for name in sorted(TOP) if not (ROOT / name).exists()] == []


def test_files_and_functions_stay_short() -> None:
    """Claim: a file is at most 500 lines, a function 60, and one of the core 40."""
    long_ones = []
    for path in sources():
        where = path.relative_to(ROOT)
        lines = len(path.read_text().splitlines())
        if lines > FILE_LINES_MAX:
            long_ones.append(f"{where}: {lines} lines")
        in_core = where.parts[:2] == ("monitor", "core")
        most = CORE_FUNCTION_LINES_MAX if in_core else FUNCTION_LINES_MAX
        for function in functions(path):
            lines = (function.end_lineno or 0) - function.lineno + 1
            if lines > most:
                long_ones.append(f"{where}:{function.lineno} {function.name}: {lines} lines")
    assert long_ones == []


def test_no_function_of_the_core_holds_a_bare_number() -> None:
    """Claim: a number other than 0 and 1 that a rule uses has a name, where its reason stands."""
    bare = []
    for path in sources("monitor/core"):
        for function in functions(path):
            for node in ast.walk(function):
                if not isinstance(node, ast.Constant) or isinstance(node.value, bool):
                    continue
                if isinstance(node.value, int | float) and node.value not in (0, 1):
                    bare.append(f"{path.relative_to(ROOT)}:{node.lineno}: {node.value}")
    assert bare == []


def test_no_file_names_a_package_registry_or_a_folder_of_somebodys_machine() -> None:
    """Claim: what is kept works anywhere and gives nothing of a machine away."""
    found = []
    for path in kept_files():
        text = path.read_bytes().decode(errors="replace")
        found += [f"{path.relative_to(ROOT)}: {word}" for word in UNWANTED if word in text]
    assert found == []


def test_every_python_file_has_its_annotations_postponed() -> None:
    """Claim: all code that is more than a docstring begins with the same first import."""
    line = "from __future__ import annotations"
    missing = [
        str(path.relative_to(ROOT))
        for path in sources()
        if len(ast.parse(path.read_text()).body) > 1 and line not in path.read_text()
    ]
    assert missing == []


def test_tests_are_no_packages() -> None:
    """Claim: no folder of tests is a package, so that two of them may use one file name."""
    assert list((ROOT / "tests").rglob("__init__.py")) == []


# --- who imports what ---


def test_only_drivers_and_the_simulated_bench_import_a_pin_library() -> None:
    """Claim: nobody else can touch a pin."""
    allowed = {("monitor", "drivers"), ("monitor", "simulate")}
    found = [
        str(path.relative_to(ROOT))
        for path in sources()
        if imports(path) & {"gpiozero", "lgpio", "RPi", "pigpio", "gpiod"}
        and path.relative_to(ROOT).parts[:2] not in allowed
    ]
    assert found == []


def test_every_library_that_is_imported_is_declared() -> None:
    """Claim: an install brings all that the program imports, and the tests' libraries stay out."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    declared = [*project["dependencies"], *extras["pi"], *extras["plot"]]
    names = {re.split(r"[<>=\[; ]", line)[0].lower() for line in declared}
    modules = packages_distributions()
    missing = set()
    for path in sources():
        for module in imports(path) - set(sys.stdlib_module_names) - {"monitor", "lgpio"}:
            providers = {each.lower().replace("_", "-") for each in modules.get(module, [module])}
            if not providers & names:
                missing.add(f"{path.relative_to(ROOT)}: {module}")
    assert missing == set()


# --- what it says of itself ---


def test_every_command_is_documented_and_every_documented_one_exists() -> None:
    """Claim: README.md and the command line agree on the commands."""
    commands = set(import_module("monitor.cli").COMMANDS)
    table = (ROOT / "README.md").read_text().partition("## Commands")[2].partition("\n## ")[0]
    assert set(re.findall(r"^\| `brimwatch (\w+)", table, re.MULTILINE)) == commands


def test_exit_codes_are_documented() -> None:
    """Claim: README.md gives every exit code with the program's own words."""
    readme = (ROOT / "README.md").read_text()
    rows = [f"| {code.value} | {code.meaning} |" for code in ExitCode]
    assert [row for row in rows if row not in readme] == []
    assert [code.value for code in ExitCode] == [0, 1, 2, 3, 4, 5, 6, 130]


def test_the_wiring_table_has_the_pins_of_the_sample() -> None:
    """Claim: who wires by hardware/README.md and runs the sample has the same pins.

    The place of each GPIO is that of the 40-pin header (from memory, common to all models since the
    B+).
    """
    place = {4: 7, 17: 11, 27: 13, 22: 15, 23: 16, 24: 18}
    river = load(ROOT / "monitor" / "simulate" / "river.toml").stations["river"]
    used = {river.valve.pin, 4}  # 4: the 1-Wire bus
    used |= {river.buzzer.pin} if river.buzzer else set()
    used |= {part.pin for part in river.sensors.values() if not isinstance(part, Ds18b20)}
    rows = re.findall(r"^\| [^|]+ \| (\d+) \| (\d+) \|", hardware_page(), re.MULTILINE)
    assert {int(gpio): int(at) for gpio, at in rows} == {pin: place[pin] for pin in used}


def hardware_page() -> str:
    """Return hardware/README.md."""
    return (ROOT / "hardware" / "README.md").read_text()


def test_danger_comes_first() -> None:
    """Claim: the page that makes people wire things begins with what can hurt them."""
    first = " ".join(hardware_page().partition("\n## ")[0].replace("> ", "").split())
    for word in ("Mains", "scalds", "Backflow", "licensed electrician", "licensed plumber"):
        assert word in first


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "SAFETY.md", "hardware/README.md"])
def test_links_lead_somewhere(page: str) -> None:
    """Claim: every file that a page links to is there."""
    text = (ROOT / page).read_text()
    links = [link for link in re.findall(r"\]\(([^)]+)\)", text) if "://" not in link]
    assert [link for link in links if not (ROOT / page).parent.joinpath(link).exists()] == []


def test_files_that_safety_leans_on_exist() -> None:
    """Claim: a requirement in SAFETY.md names files that are there."""
    text = (ROOT / "SAFETY.md").read_text()
    named = set(re.findall(r"`((?:monitor|tests|deploy|hardware)/[\w./-]+)`", text))
    assert named
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


# --- errors ---


@pytest.mark.parametrize(
    ("error", "builtin", "code"),
    [
        (BrimwatchError, Exception, 1),
        (HardwareError, OSError, 1),
        (ConfigError, ValueError, 2),
        (LinkError, ConnectionError, 5),
        (RefusedError, PermissionError, 6),
    ],
)
def test_an_error_tells_what_where_allowed_and_fix(
    error: type[BrimwatchError], builtin: type[Exception], code: int
) -> None:
    """Claim: every error of ours is also a plain one, reads as one line, and has its exit code."""
    whole = error("the pin is busy", where="GPIO 17", allowed="a free pin", fix="stop the other")
    assert str(whole) == "GPIO 17: the pin is busy (allowed: a free pin). Fix: stop the other."
    assert str(error("the pin is busy")) == "the pin is busy"
    assert isinstance(whole, builtin)
    assert whole.exit_code == code


# --- deploy ---


@pytest.mark.parametrize(
    ("shell", "script"), [("sh", "deploy/try"), ("sh", "deploy/test"), ("bash", ".ci/run")]
)
def test_scripts_are_sound_shell(shell: str, script: str) -> None:
    """Claim: the shell that runs a script can read it, and it stops at the first failure."""
    text = (ROOT / script).read_text()
    assert re.search(r"^set -eu", text, re.MULTILINE)
    run = subprocess.run(
        [shell, "-n", str(ROOT / script)], capture_output=True, text=True, check=False
    )
    assert (run.returncode, run.stderr) == (0, "")


def test_the_scripts_speak_up_when_python_is_missing(tmp_path: Path) -> None:
    """Claim: without Python and without a way to install it, the script says what to do."""
    for tool in ("sh", "dirname", "id"):
        found = shutil.which(tool)
        assert found
        (tmp_path / tool).symlink_to(found)
    run = subprocess.run(
        [str(tmp_path / "sh"), str(ROOT / "deploy" / "try")],
        env={"PATH": str(tmp_path), "PYTHON": "python-that-is-not-there"},
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert run.returncode == 1
    assert "Install Python 3.11 or newer" in run.stderr


@pytest.mark.parametrize("unit", ["brimwatch-node", "brimwatch-engine"])
def test_units_restart_what_fails_or_freezes(unit: str) -> None:
    """Claim: systemd starts the service again for ever, and kills it when it falls silent."""
    lines = (ROOT / "deploy" / "systemd" / f"{unit}.service").read_text().splitlines()
    settings = dict(line.split("=", 1) for line in lines if re.match(r"[A-Z]\w+=", line))
    assert settings["Type"] == "notify"
    assert settings["Restart"] == "always"
    assert settings["StartLimitIntervalSec"] == "0"
    assert 1 <= int(settings["WatchdogSec"]) <= 5
    command = settings["ExecStart"].split()[1]
    assert f"brimwatch-{command}" == unit


@pytest.fixture
def guarded_broker(tmp_path: Path) -> Iterator[int]:
    """Run mosquitto with the shipped settings on a free port of this machine, and yield it."""
    broker = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/bin:/usr/local/sbin")
    passwords = shutil.which("mosquitto_passwd")
    if broker is None or passwords is None:
        pytest.skip("needs mosquitto and mosquitto_passwd")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    shipped = ROOT / "deploy" / "mosquitto"
    text = (shipped / "brimwatch.conf").read_text()
    text = text.replace("listener 1883 127.0.0.1", f"listener {port} 127.0.0.1")
    text = text.replace("/etc/mosquitto", str(tmp_path))
    # Started by root, mosquitto would become a user who may not read a test's folder.
    (tmp_path / "test.conf").write_text(f"{text}\nuser {getpass.getuser()}\n")
    shutil.copy(shipped / "brimwatch.acl", tmp_path / "brimwatch.acl")
    (tmp_path / "brimwatch.passwd").write_text("".join(f"{user}:pw\n" for user in USERS))
    for file in tmp_path.iterdir():
        file.chmod(0o600)
    subprocess.run([passwords, "-U", str(tmp_path / "brimwatch.passwd")], check=True)
    process = subprocess.Popen([broker, "-c", str(tmp_path / "test.conf")], cwd=tmp_path)
    try:
        yield port
    finally:
        process.terminate()
        process.wait(5)


async def test_the_access_list_keeps_people_from_opening_a_valve(guarded_broker: int) -> None:
    """Claim: with the shipped settings a real broker lets the engine give leave, and lets neither a
    stranger, nor people, nor a node do so; people may still ask.
    """
    await _answering(guarded_broker)
    assert await _heard_permits(guarded_broker) == ["engine"]
    with pytest.raises(aiomqtt.MqttError):
        async with aiomqtt.Client("127.0.0.1", guarded_broker):
            pass


def test_a_node_of_its_own_may_read_all_that_it_listens_to() -> None:
    """Claim: the access list grants the node's user every topic that the node subscribes to; a
    broker answers a forbidden subscription with "granted", and then says nothing for ever.
    """
    text = (ROOT / "deploy" / "mosquitto" / "brimwatch.acl").read_text()
    section = text.partition("user node\n")[2].partition("\nuser ")[0]
    granted = set(re.findall(r"^topic read(?:write)? (\S+)$", section, re.MULTILINE))
    for kind in (Permit, Withdraw, Presence, AlarmNotice):
        assert filter_for(kind) in granted, kind.__name__


USERS = ("people", "node", "engine")


async def _answering(port: int) -> None:
    """Wait until the broker takes connections."""
    for _ in range(100):
        try:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
        except OSError:
            await asyncio.sleep(0.05)
        else:
            writer.close()
            await writer.wait_closed()
            return
    pytest.fail("mosquitto did not start")


async def _heard_permits(port: int) -> list[str]:
    """Let each user publish a permit and a last word that all may send; return whose permits
    arrive at the node.
    """
    heard = []
    async with (
        aiomqtt.Client("127.0.0.1", port, username="node", password="pw") as node,
        aiomqtt.Client("127.0.0.1", port, username="engine", password="pw") as engine,
    ):
        await node.subscribe("brimwatch/v1/river/permit", qos=1)
        await engine.subscribe("brimwatch/v1/river/request", qos=1)
        for user in USERS:
            async with aiomqtt.Client("127.0.0.1", port, username=user, password="pw") as client:
                await client.publish("brimwatch/v1/river/permit", user, qos=1)
                if user == "people":
                    await client.publish("brimwatch/v1/river/request", user, qos=1)
        request = await asyncio.wait_for(anext(aiter(engine.messages)), 5)
        assert request.payload == b"people"
        # The engine's own permit was published last and the broker keeps the order, so whatever
        # was let through before it has arrived once it has.
        async for message in node.messages:
            heard.append(bytes(message.payload).decode())
            if heard[-1] == "engine":
                return heard
    return heard
