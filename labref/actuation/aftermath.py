"""After a crash: say what was cut off, read back, move nothing, stay disarmed (S4)."""

from __future__ import annotations

from collections.abc import Mapping

from labref.actuation.base import Phase, Seen, stamp
from labref.actuation.hand import Hand
from labref.actuation.herald import Herald
from labref.actuation.record import CutOff

# After a start, read-backs may take so long before what was found is told without them.
LONGEST_SILENCE_S = 30.0


class Aftermath:
    """Reports the attempts that the record says never ended, once their outputs read back."""

    def __init__(
        self, cut_off: tuple[CutOff, ...], hands: Mapping[str, Hand], began_s: float
    ) -> None:
        self._cut_off = cut_off
        self._hands = hands
        self._began_s = began_s

    def report(self, seen: Seen, herald: Herald, known: Mapping[str, object]) -> None:
        """Tell, once, as a fault and as an announcement of each actuator that is still known."""
        if not self._cut_off:
            return
        outputs = {output for cut in self._cut_off for output in cut.moves} & set(self._hands)
        silent = any(seen.read_backs.get(output) is None for output in outputs)
        if silent and seen.monotonic_s - self._began_s < LONGEST_SILENCE_S:
            return
        for cut in self._cut_off:
            text = self._text(cut, seen)
            herald.fault(f"actuation: {cut.actuator} was cut off", text, seen.now_ns)
            if cut.actuator in known:
                herald.tell(cut.actuator, Phase.FOUND, text, seen)
            herald.note(seen, "ended", actuator=cut.actuator, text="found cut off at a start")
        self._cut_off = ()

    def _text(self, cut: CutOff, seen: Seen) -> str:
        parts = [self._where(output, asked, seen) for output, asked in cut.moves.items()]
        moves = "; ".join(parts) or "it had moved nothing"
        begun = f"an attempt of {stamp(cut.time_ns)} never ended"
        return f"{begun}: {moves}. Nothing was moved; disarmed"

    def _where(self, output: str, asked: str, seen: Seen) -> str:
        if output not in self._hands:
            return f"{output} was asked to be {asked}"
        spec, value = self._hands[output].spec, seen.read_backs.get(output)
        out = value is not None and not spec.is_harmless(value)
        where = ", OUTSIDE its harmless range" if out else ""
        return f"{output} was asked to be {asked}, reads back {spec.text(value)}{where}"
