"""The kinds of fault a scenario may name, what they strike, and the unit of ``amount``."""

from dataclasses import dataclass


@dataclass(frozen=True)
class FaultKind:
    """Where a kind applies (light, reference, wire, instrument), its unit, its default."""

    strikes: str
    unit: str
    amount: float
    meaning: str


KINDS: dict[str, FaultKind] = {
    "excursion": FaultKind("light", "Hz", 1e7, "set-point creeps away and comes back"),
    "drift_ramp": FaultKind("light", "Hz/s", 1e6, "drifts away, then is found again"),
    "tooth_jump": FaultKind("light", "teeth", 1, "held whole comb teeth further"),
    "mode_hop": FaultKind("light", "Hz", 1.5e9, "another mode of the laser"),
    "unlock": FaultKind("light", "Hz", 5e6, "free of what holds it, thrown by amount"),
    "power_drop": FaultKind("light", "dB", 40, "less light"),
    "holdover": FaultKind("reference", "1/s", 1e-12, "y drifts by amount per s, then recovers"),
    "reference_step": FaultKind("reference", "1", 1e-9, "y is off by amount"),
    "late_reply": FaultKind("wire", "s", 2.0, "messages leave this much later"),
    "partial_line": FaultKind("wire", "bytes", 5, "messages are cut after amount bytes"),
    "garbage": FaultKind("wire", "bytes", 12, "messages become random bytes"),
    "babble": FaultKind("wire", "bytes/s", 20000, "sends bytes without an end"),
    "trickle": FaultKind("wire", "bytes/s", 10, "messages come byte by byte"),
    "silence": FaultKind("wire", "", 0, "messages are lost"),
    "hung": FaultKind("wire", "", 0, "input is taken and nothing is done"),
    "wrong_order": FaultKind("wire", "", 0, "each message changes place with the next"),
    "duplicate": FaultKind("wire", "", 0, "every message is sent twice"),
    "unplug": FaultKind("wire", "", 0, "connection closed and refused until plugged in"),
    "hangup": FaultKind("wire", "", 0, "the client's adapter is out: its device file is gone"),
    "reset": FaultKind("wire", "", 0, "connection reset at the start; accepted again at once"),
    "power_cut": FaultKind("instrument", "s", 3.0, "off; back within amount, factory settings"),
    "front_panel": FaultKind("instrument", "", 0, "options `send` are typed at the panel"),
    "internal_timebase": FaultKind("instrument", "1", 2e-7, "counts on its own oscillator"),
    "reference_lost": FaultKind("instrument", "1", 2e-7, "no reference at the input"),
    "nan": FaultKind("instrument", "", 0, "answers not-a-number"),
    "overflow": FaultKind("instrument", "", 0, "answers infinity"),
    "cycle_slips": FaultKind("instrument", "1/s", 1.0, "miscounts whole cycles"),
    "saturated": FaultKind("instrument", "dBm", 15, "level too high, counts are wrong"),
    "spur": FaultKind("instrument", "Hz", 1e7, "counts a line at amount instead"),
    "lo_counted": FaultKind("instrument", "Hz", 1e7, "counts the local oscillator at amount"),
    "too_good": FaultKind("instrument", "", 0, "the same digits again and again"),
    "swapped_channels": FaultKind("instrument", "", 0, "options `a` and `b` are exchanged"),
    "clock_step": FaultKind("instrument", "s", 1.0, "its time of day steps"),
    "recalibration": FaultKind("instrument", "Hz", 2e7, "all channels step"),
    "order_jump": FaultKind("instrument", "Hz", 2e9, "reads another interferometer order"),
    "leakage": FaultKind("instrument", "1", 0.3, "the previous channel leaks in"),
    "stuck": FaultKind("instrument", "", 0, "the last value is repeated"),
    "no_fix": FaultKind("instrument", "", 0, "satellites are lost"),
}
