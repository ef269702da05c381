"""Change the core a little, thousands of times, and see that a test notices.

    python tests/proof/mutate.py [--what tables|limits|guard|functions|all] [--file guard.py ...]
                                 [--quick] [--jobs 2] [--sample N --seed S] [--list] [--json]

What a mutant is and what is left out stands in `mutants.py`. The project is copied once, so that
edits meanwhile change nothing, and this process loads the test runner and all that the tests
import. Each mutant then is a fork that forgets the one module with all that import it, puts the
wrong one in the import system's way, and runs the tests: first the module's own ones, and, unless
`--quick`, all the others of `tests/core` for what these let live. A mutant is killed when a test
fails, when the tests cannot be imported, or when one test takes more than `TEST_CPU_S` of the
processor.

`survivors.toml` names the mutants that are known to live, each with the argument why that is no
fault. The exit status is 1 when any other survives, or when one of the list is killed or gone; 2
when the tests do not pass without any mutant.
"""

from __future__ import annotations

import argparse
import ast
import gc
import importlib
import json
import os
import random
import shutil
import sys
import tempfile
import tomllib
import warnings
from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter
from typing import Any, Final

# Run as a script, so the path is set before the import below.
sys.path[:0] = [str(Path(__file__).parents[1])]

from proof.forks import (  # noqa: E402
    FAILED,
    INTERRUPTED,
    PASSED,
    USAGE,
    Death,
    Finder,
    Pool,
    RunnerError,
    load_runner,
    session,
)
from proof.mutants import Mutant, find, planted  # noqa: E402

ROOT: Final = Path(__file__).parents[2]
SURVIVORS: Final = Path(__file__).with_name("survivors.toml")
WHAT: Final = ("tables", "limits", "guard", "functions")
LAST: Final = 4  # killers of the same function that are tried first
COPIED: Final = ("monitor", "tests", "pyproject.toml")
OURS: Final = frozenset({"monitor", "support", "proof", "bench"})
BESIDE: Final[Mapping[str, tuple[str, ...]]] = {
    # Modules whose tests stand under another name.
    "conditions": ("test_hazards.py",),
    "rules": ("test_setaside.py",),
    "setaside": ("test_hazards.py",),
    "wants": ("test_asks.py",),
    "permissives": ("test_station_fills.py", "test_station_sensors.py", "test_hazards.py"),
    "picture": ("test_station_*.py",),
    "plan": ("test_fills.py", "test_station_*.py"),
    "turns": ("test_station_*.py", "test_phases.py"),
    "intake": ("test_station_*.py",),
    "view": ("test_station_*.py", "test_hazards.py"),
    "messages": ("test_hazards.py", "test_describe.py"),
}


def unchanged(file: str) -> Mutant:
    """Return a mutant that is none."""
    return Mutant(file, "", "unchanged", "", "", at=0, text="")


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a mutant. `by` is the test that killed it; empty when it lives."""

    by: str
    seconds: float


@dataclass(slots=True)
class Score:
    """All verdicts of a run, by mutant id."""

    mutants: list[Mutant]
    verdicts: dict[str, Verdict]
    seconds: float
    listed: dict[str, str]
    gone: list[str] = field(default_factory=list)  # listed, but no such mutant exists

    @property
    def unlisted(self) -> list[str]:
        """Survivors nobody has given an argument for."""
        return [i for i, v in self.verdicts.items() if not v.by and i not in self.listed]

    @property
    def struck(self) -> list[str]:
        """Listed ones that a test kills after all."""
        return [i for i, v in self.verdicts.items() if v.by and i in self.listed]


class Bench:
    """A copy of the project, and a process with all loaded but the project."""

    def __init__(self, root: Path, copy: Path, jobs: int) -> None:
        self.copy = copy
        for name in COPIED:
            source = root / name
            if source.is_dir():
                shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(source, copy / name)
        os.chdir(copy)
        self.tests = copy / "tests" / "core"
        self.pool = Pool(jobs, copy / "log")
        self.file_s: Counter[str] = Counter()
        self._own: dict[str, set[Path]] = {}
        self._uses: dict[str, set[str]] = {}  # what each module of the project imports

    def warm_up(self, files: Iterable[str]) -> None:
        """Load the runner and all that the tests of the core and `files` import."""
        sys.dont_write_bytecode = False  # in the copy: forks read there what the first one wrote
        load_runner()
        sys.path[:0] = [str(self.copy / "tests"), str(self.copy)]
        for path in [*self.tests.glob("*.py"), *map(self.copy.joinpath, files)]:
            for name in sorted(_imported(path)):
                importlib.import_module(name)
        for name, module in list(sys.modules.items()):
            if name.partition(".")[0] in OURS and getattr(module, "__file__", None):
                self._uses[name] = _imported(Path(str(module.__file__)))
        gc.freeze()

    def _forget(self, name: str) -> None:
        """Take a module, and all that hang on it, out of a fork's memory."""
        gone, new = set[str](), {name}
        while new:
            gone |= new
            new = {user for user, used in self._uses.items() if used & gone} - gone
        for each in gone & set(sys.modules):
            package, _, last = each.rpartition(".")
            if package in sys.modules:  # or `from package import module` would find it there
                vars(sys.modules[package]).pop(last, None)
            del sys.modules[each]

    def own(self, file: str) -> list[str]:
        """Return the test files made for a module, the quickest first."""
        if file not in self._own:
            stem = file.removesuffix(".py")
            names = (f"test_{stem}.py", f"test_{stem}_*.py", f"test_mutants_{stem}.py",
                     *BESIDE.get(stem, ()))  # fmt: skip
            found = {path for name in names for path in self.tests.glob(name)}
            found |= {path for path in (self.copy / "tests/external").glob("test_*.py")
                      if f"monitor.core.{stem}" in _imported(path)}  # fmt: skip
            self._own[file] = found or set(self.tests.glob("test_*.py"))
        return self._sorted(self._own[file])

    def rest(self, file: str) -> list[str]:
        """Return all other tests of the core, the quickest first."""
        return self._sorted(set(self.tests.glob("test_*.py")) - set(self._own[file]))

    def _sorted(self, paths: Iterable[Path]) -> list[str]:
        names = sorted(str(path.relative_to(self.copy)) for path in paths)
        return sorted(names, key=lambda name: self.file_s[name])

    def baseline(self, files: Iterable[str]) -> None:
        """See that test files pass as they are, and how long each takes."""
        unknown = sorted(set(files) - set(self.file_s))
        if unknown:
            told = self._alone(lambda: session(unknown, (), "short"))
            if told["code"] != PASSED:
                raise RunnerError(f"{told['by']} fails without any mutant:\n{self._logged()}")
            self.file_s.update(told["file_s"])

    def mutants(self, files: Iterable[str]) -> list[Mutant]:
        """Return all mutants of some modules of the core."""

        def work() -> list[list[Any]]:
            found = []
            for file in files:
                path = self.copy / "monitor" / "core" / file
                module = importlib.import_module(f"monitor.core.{path.stem}")
                found += find(file, path.read_text(encoding="utf-8"), vars(module))
            return [[getattr(m, name) for name in Mutant.__slots__] for m in found]

        return [Mutant(*values) for values in self._alone(work)]

    def judge(self, mutants: Iterable[Mutant], files: Callable[[str], list[str]],
              told: Callable[[Mutant, Verdict], None]) -> None:  # fmt: skip
        """Run each mutant against the test files of its module."""
        killers: dict[tuple[str, str], deque[str]] = {}

        def work(mutant: Mutant) -> Callable[[], Any]:
            last = [*reversed(killers.get((mutant.file, mutant.where), ()))]
            lately = [by.partition("::")[0] for by in last]
            order = dict.fromkeys([f for f in lately if f in files(mutant.file)])
            order |= dict.fromkeys(files(mutant.file))
            return lambda: self._trial(mutant, [*order], last)

        def done(mutant: Mutant, result: Any, seconds: float) -> None:
            if isinstance(result, Death):
                told(mutant, Verdict(result.why, seconds))
                return
            by = result["by"]
            if result["code"] not in (PASSED, FAILED, INTERRUPTED, USAGE):
                raise RunnerError(f"{mutant.id}: pytest itself failed\n{self._logged()}")
            if by:
                last = killers.setdefault((mutant.file, mutant.where), deque(maxlen=LAST))
                if by not in last:
                    last.append(by)
            told(mutant, Verdict(by, seconds))

        self.pool.run(((m, work(m)) for m in mutants), done)

    def _trial(self, mutant: Mutant, files: list[str], first: list[str]) -> dict[str, Any]:
        """Run the files one after the other until one fails: most mutants need the first only."""
        path = self.copy / "monitor" / "core" / mutant.file
        tree = ast.parse(path.read_text(encoding="utf-8"))
        with warnings.catch_warnings(action="ignore"):
            code = compile(ast.fix_missing_locations(planted(tree, mutant)), path, "exec")
        finder = Finder(f"monitor.core.{path.stem}", path, code)
        self._forget(finder.name)
        sys.meta_path.insert(0, finder)
        result: dict[str, Any] = {}
        for file in files:
            result = session([file], first)
            if result["code"] != PASSED:
                break
        if not finder.used:
            raise RunnerError(f"no test of {files} imports {mutant.file}")
        return result

    def _alone(self, work: Callable[[], Any]) -> Any:
        results: list[Any] = []
        self.pool.run([("", work)], lambda *told: results.append(told[1]))
        if isinstance(results[0], Death):
            raise RunnerError(f"{results[0].why}\n{self._logged()}")
        return results[0]

    def _logged(self) -> str:
        logs = sorted(self.copy.glob("log.*"))
        return "\n".join(log.read_text(encoding="utf-8", errors="replace")[-4000:] for log in logs)


def _imported(path: Path) -> set[str]:
    """Return the dotted names of the modules that a file imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            if node.module.partition(".")[0] in OURS:  # a name from there may be a module
                whole = {f"{node.module}.{alias.name}" for alias in node.names}
                names |= {name for name in whole if _is_module(name)}
    return names


def _is_module(name: str) -> bool:
    parts = name.split(".")
    return any(Path(top, *parts).with_suffix(".py").is_file() or Path(top, *parts).is_dir()
               for top in (".", "tests"))  # fmt: skip


# --- the command ---


def listed(path: Path) -> dict[str, str]:
    """Return the argument of every listed survivor by its id."""
    rows = tomllib.loads(path.read_text(encoding="utf-8")).get("survivor", [])
    return {row["id"]: row["why"] for row in rows}


def run(bench: Bench, args: argparse.Namespace) -> Score:
    """Make the mutants that are asked for and judge them."""
    core = sorted(path.name for path in (bench.copy / "monitor/core").glob("[!_]*.py"))
    names = [Path(name).name for name in args.file] or core
    if unknown := set(names) - set(core):
        raise RunnerError(f"no module of the core: {', '.join(sorted(unknown))}")
    bench.warm_up({test for file in names for test in bench.own(file)})
    every = bench.mutants(names)
    wanted = WHAT if "all" in args.what else args.what
    chosen = [m for m in every if m.category in wanted]
    if args.sample:
        chosen = random.Random(args.seed).sample(chosen, min(args.sample, len(chosen)))
        chosen.sort(key=lambda m: m.file)
    known = listed(args.survivors)
    ids = {m.id for m in every}
    score = Score(
        chosen, {}, 0.0, known, [i for i in known if i.partition(":")[0] in names and i not in ids]
    )
    began = perf_counter()
    if not args.list:
        _judge(bench, score, quick=args.quick)
    score.seconds = perf_counter() - began
    return score


def _judge(bench: Bench, score: Score, *, quick: bool) -> None:
    def told(mutant: Mutant, verdict: Verdict) -> None:
        score.verdicts[mutant.id] = verdict
        if len(score.verdicts) % 100 == 0:
            sys.stderr.write(f"{len(score.verdicts)} of {len(score.mutants)}\n")

    files = sorted({m.file for m in score.mutants})
    bench.baseline(test for file in files for test in bench.own(file))
    bench.judge([unchanged(file) for file in files], bench.own, _unharmed)
    bench.judge(score.mutants, bench.own, told)
    alive = [m for m in score.mutants
             if not score.verdicts[m.id].by and not quick and bench.rest(m.file)]  # fmt: skip
    if alive:
        bench.baseline(test for file in {m.file for m in alive} for test in bench.rest(file))
        bench.judge(alive, bench.rest, told)


def _unharmed(mutant: Mutant, verdict: Verdict) -> None:
    """See that it is the mutants that are killed, and not whatever is put in a module's way."""
    if verdict.by:
        raise RunnerError(f"{verdict.by} fails with {mutant.file} planted as it is")


def _told(score: Score) -> str:
    rows = [f"{'':22}{'mutants':>9}{'killed':>9}{'lives':>9}{'listed':>9}{'seconds':>9}"]
    groups: dict[str, list[Mutant]] = {}
    for mutant in score.mutants:
        groups.setdefault(mutant.category, []).append(mutant)
        groups.setdefault(f"  {mutant.file}", []).append(mutant)
    for name, group in [*sorted(groups.items(), reverse=True), ("all", score.mutants)]:
        lives = [m for m in group if not score.verdicts[m.id].by]
        seconds = sum(score.verdicts[m.id].seconds for m in group)
        known = sum(m.id in score.listed for m in lives)
        rows.append(f"{name:22}{len(group):9}{len(group) - len(lives):9}{len(lives):9}{known:9}"
                    f"{seconds:9.1f}")  # fmt: skip
    rate = len(score.mutants) / score.seconds * 60 if score.seconds else 0.0
    rows.append(f"{score.seconds:.1f} s in all, {rate:.0f} mutants a minute")
    rows += [f"survivor   {i}" for i in score.unlisted]
    rows += [f"killed now {i}\n           by {score.verdicts[i].by}" for i in score.struck]
    rows += [f"gone       {i}" for i in score.gone]
    return "\n".join(rows)


def _json(score: Score) -> str:
    return json.dumps({
        "mutants": len(score.mutants), "seconds": round(score.seconds, 1),
        "killed": sum(bool(v.by) for v in score.verdicts.values()),
        "unlisted": score.unlisted, "struck": score.struck, "gone": score.gone,
        "verdicts": {i: v.by for i, v in score.verdicts.items()},
    })  # fmt: skip


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--what", action="append", choices=(*WHAT, "all"), help="default: all")
    parser.add_argument("--file", action="append", default=[], help="a module of the core")
    parser.add_argument("--quick", action="store_true", help="each module's own tests only")
    parser.add_argument("--jobs", type=int, default=1, help="forks at a time")
    parser.add_argument("--sample", type=int, default=0, help="so many of them, drawn by --seed")
    parser.add_argument("--seed", type=int, default=1, help="of the sample")
    parser.add_argument("--list", action="store_true", help="only name the mutants")
    parser.add_argument("--json", action="store_true", help="print numbers for a program")
    parser.add_argument("--root", type=Path, default=ROOT, help="of the project")
    parser.add_argument("--survivors", type=Path, default=SURVIVORS, help="the list of them")
    args = parser.parse_args()
    args.what = args.what or ["all"]
    args.survivors = args.survivors.resolve()
    return args


def main() -> int:
    """Run as a command; see the module's text for the exit status."""
    args = _arguments()
    with tempfile.TemporaryDirectory(prefix="mutate-") as copy:
        bench = Bench(args.root.resolve(), Path(copy).resolve(), max(1, args.jobs))
        try:
            score = run(bench, args)
        except RunnerError as error:
            sys.stderr.write(f"{error}\n")
            return 2
        finally:
            os.chdir("/")
    if args.list:
        sys.stdout.write("".join(f"{m.id}\n" for m in score.mutants))
        return 0
    sys.stdout.write((_json(score) if args.json else _told(score)) + "\n")
    return int(bool(score.unlisted or score.struck or score.gone))


if __name__ == "__main__":
    sys.exit(main())
