"""Play a file through the core: what the command `replay` and the tests call."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from monitor.config import Ds18b20, Float, Flow, Leak, Level, Station
from monitor.core.plan import Plan
from monitor.core.reading import Kind
from monitor.replay.frames import Recording, RecordingError, lines_of
from monitor.replay.lines import Line, rounded
from monitor.replay.packs import read_packs
from monitor.replay.supervise import LITRES_MIN, Target, Watch, plan_for
from monitor.replay.table import read_table

KINDS = {
    Float: Kind.FLOAT,
    Leak: Kind.LEAK,
    Ds18b20: Kind.TEMPERATURE,
    Flow: Kind.FLOW,
    Level: Kind.LEVEL,
}
NO_VALVE = "not recorded: a fill begins with the first flow, or the first rise"


def read_recording(path: Path, station: Station, plan: Plan) -> Recording:
    """Return a recording: SenML packs when its first character is a bracket, else a table.

    Raises:
        RecordingError: it cannot be read; says where and what is allowed.
    """
    lines = lines_of(path)
    kinds = {name: KINDS[type(part)] for name, part in station.sensors.items()}
    if next(line for line in lines if line.strip()).lstrip().startswith(b"["):
        return read_packs(lines, str(path), station.id, kinds)
    return read_table(lines, str(path), kinds, plan.pulses_per_litre)


def replayed(
    path: Path, station: Station, plan: Plan, *, level_m: float | None, litres: float | None
) -> Iterator[Line]:
    """Yield the lines of a recording's replay, the summary last.

    Raises:
        RecordingError: the recording or the target cannot be used.
    """
    if litres is not None and not litres >= LITRES_MIN:
        raise RecordingError(f"a target of {litres:g} L", allowed=f"at least {LITRES_MIN:g} L")
    recording = read_recording(path, station, plan)
    target = Target(level_m, litres, station.vessel.start_m)
    shown = plan_for(plan, recording, target)
    watch = Watch(shown, recording, target)
    counts: dict[str, int] = {}
    for line in watch.lines():
        counts[line["kind"]] = counts.get(line["kind"], 0) + 1
        yield line
    yield _summary(station, recording, shown, watch, counts, target)


def _summary(
    station: Station,
    recording: Recording,
    plan: Plan,
    watch: Watch,
    counts: dict[str, int],
    target: Target,
) -> Line:
    frames = recording.frames
    missing = [name for name in station.sensors if name not in recording.sensors]
    by_level = {"target_level_m": plan.vessel.mark_m}
    return {
        "kind": "summary",
        "t_s": rounded(frames[-1].t_s) if frames else 0.0,
        "station": station.id,
        "file": recording.file,
        "rows": recording.rows,
        "dropped": recording.dropped,
        "from_s": rounded(recording.from_s),
        "period_s": rounded(recording.period_s),
        **({"level_noise_m": round(plan.level_sd_m, 5)} if plan.level else {}),
        **(by_level if target.litres is None else {"target_l": target.litres}),
        "valve": "recorded" if recording.has_valve else NO_VALVE,
        "not_recorded": missing,
        "notes": list(_notes(plan, recording, missing)),
        "forecasts": counts.get("forecast", 0),
        "closes": counts.get("close", 0),
        "alarms": watch.alarms,
        "fills": [
            {k: rounded(v) if isinstance(v, float) else v for k, v in asdict(fill).items()}
            for fill in watch.fills
        ],
    }  # fmt: skip


def _notes(plan: Plan, recording: Recording, missing: list[str]) -> Iterator[str]:
    """Yield what was taken for granted, in plain words."""
    yield "The valve was somebody else's: a close is what brimwatch would have done."
    yield "No pre-fill check was asked; proof tests, broker and node count as well."
    if missing:
        yield f"Not in the recording and so taken as not fitted: {', '.join(missing)}."
    if plan.level and recording.level_sd_m > 0.0:
        yield "The level's noise is that of the recording, where the config says more."
    if not plan.flow_in:
        yield "Without a meter, where the water goes cannot be judged."
    if not (plan.flow_in or plan.level):
        yield "With neither meter nor level there are no litres, and no volume is judged."
    if recording.period_s > 1.0:
        yield (
            f"A reading comes every {recording.period_s:g} s, so silence is judged by that pace, "
            "and what must be seen within seconds is seen late."
        )
