"""The valve opened for a test, by an attended fill of a few litres: there is no other way.

All that guards a fill guards this one. Whatever goes wrong here, the fill is stopped; and every
test that has passed lets go of the stop that it made itself.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Any, Final, Self

from monitor.core.exchange import GuardReport, Way
from monitor.core.phases import Phase
from monitor.errors import BrimwatchError, ExitCode, LinkError
from monitor.prove.onlooker import Onlooker, Seen

CHECKS_S: Final = 75.0  # the longest a pre-fill check may take, and a little more
CALM_S: Final = 20.0
AGAIN_S: Final = 0.5
POUR_S: Final = 3600.0  # a fill has its own, tighter limits
STILL_S: Final = 12.0  # any valve of ours is shut by then
AT_REST: Final = (Phase.IDLE.value, Phase.DONE.value)


class ProofFailedError(BrimwatchError):
    """What had to be seen was not."""

    exit_code = ExitCode.STOPPED


class Opening:
    """An attended fill by the meter, as an async context manager: inside, the valve is open.

    Raises:
        ProofFailedError: the fill was refused, or the valve was not opened (on entering).
    """

    def __init__(self, look: Onlooker, litres: float) -> None:
        """Keep the parts."""
        self._look = look
        self._litres = litres
        self.fill = ""
        self.opened: GuardReport
        self._before: Seen

    async def __aenter__(self) -> Self:
        """Ask for the fill, and wait until the guard says that the valve is open."""
        look = self._look
        look.refused = ""
        reply = await look.ask("fill", litres=self._litres, to="litres", attended=True)
        if not reply.ok:
            raise ProofFailedError(reply.text)
        self.fill = str(reply.data.get("fill"))
        try:
            self.opened = await look.until(self._begun, CHECKS_S)
            self._before = await look.until(self._before_it, CHECKS_S)
        except TimeoutError:
            await self._stop()
            raise ProofFailedError("the valve was not opened: nobody said so") from None
        except BaseException:
            await self._stop()
            raise
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop the fill, in case that it still runs."""
        await self._stop()

    def _begun(self) -> GuardReport | None:
        if self._look.refused:
            raise ProofFailedError(self._look.refused)
        return self._report(True)

    def _before_it(self) -> Seen | None:
        """Return the last pack before the opening; the checks have waited for several."""
        for seen in reversed(self._look.packs):
            if seen.pack.boot == self.opened.boot and seen.pack.uptime_s <= self.opened.uptime_s:
                return seen
        return None

    def _report(self, is_open: bool) -> GuardReport | None:
        """Return the guard's first word that this fill's valve is open, or its last that it is
        shut.
        """
        mine = [
            each for each in self._look.guards
            if each.fill == self.fill and each.way is Way.IN and each.valve_open is is_open
        ]  # fmt: skip
        if not mine:
            return None
        return mine[0] if is_open else mine[-1]

    async def _stop(self) -> None:
        # Out of contact the guard shuts by itself, and the fill is over.
        with suppress(LinkError):
            await self._look.ask("stop")

    async def shut(self, within_s: float, watch: Callable[[], None] = lambda: None) -> GuardReport:
        """Return the guard's word that the valve is shut. `watch` may raise at each piece of news.

        Raises:
            TimeoutError: it did not come in time.
        """

        def look() -> GuardReport | None:
            watch()
            return self._report(False)

        return await self._look.until(look, within_s)

    def last(self) -> Seen:
        """Return the newest pack of the node's boot that opened the valve.

        Raises:
            ProofFailedError: it has sent none since.
        """
        heard = self.heard()
        if not heard:
            raise ProofFailedError("it was over before the node had said a word: try again")
        return heard[-1]

    def heard(self) -> list[Seen]:
        """Return the packs of the node's boot that opened the valve, since then."""
        return [
            seen
            for seen in self._look.packs
            if seen.pack.boot == self.opened.boot and seen.pack.uptime_s >= self.opened.uptime_s
        ]

    def pulses(self, meter: str) -> int:
        """Return the meter's pulses since the valve was opened."""
        before = self._before.sample(meter)
        counts = self.counts(meter)
        if not counts or before is None or before.count is None:
            return 0
        return counts[-1][1] - before.count

    def counts(self, meter: str) -> list[tuple[float, int]]:
        """Return the node's seconds and the meter's count, pack by pack since the opening."""
        return [
            (seen.pack.uptime_s, sample.count)
            for seen in self.heard()
            if (sample := seen.sample(meter)) is not None and sample.count is not None
        ]


async def calm(look: Onlooker) -> None:
    """Let go of the stop that a test has made: at once, or as soon as its cause has gone.

    Raises:
        ProofFailedError: the station does not come to rest.
    """
    why = "it gives no answer"
    with suppress(TimeoutError):
        async with asyncio.timeout(CALM_S):
            while True:
                phase = (await look.ask("status")).data.get("phase")
                if phase in AT_REST:
                    return
                if phase == Phase.STOPPED.value:
                    why = (await look.ask("reset")).text
                else:
                    why = f"it is {phase}"
                await asyncio.sleep(AGAIN_S)
    raise ProofFailedError(f"the station does not come to rest: {why}")


async def poured(look: Onlooker, meter: str, litres: float) -> int:
    """Let some litres out of the hose, into a bucket, and return the meter's pulses.

    Whatever ends the fill, pulses and water belong together once the water stands still.

    Raises:
        ProofFailedError: no water came, or the station does not come to rest.
    """

    def over(data: dict[str, Any]) -> str | None:
        phase = str(data.get("phase"))
        return phase if phase in (Phase.DONE, Phase.STOPPED, Phase.HOLDING) else None

    async with Opening(look, litres) as opening:
        with suppress(TimeoutError):  # then the engine says why not
            await opening.shut(POUR_S)
        phase = await look.told(over, CHECKS_S)
        if phase != Phase.DONE:
            await asyncio.sleep(STILL_S)
        pulses = opening.pulses(meter)
    await calm(look)
    if pulses <= 0:
        raise ProofFailedError("no pulse came: open the stopcock, or see to the meter's cable")
    return pulses
