"""Kinds of faults of a campaign: what they strike, what their amount means, whether light moves.

``moves``: the light at the atoms may leave its target; otherwise only what is said about it is
wrong, and a verdict that turns bad would be a false alarm.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """One kind: ``strikes`` (laser, reference, comb, channel, instrument, door), and what it is."""

    strikes: str
    moves: bool
    what: str


KINDS: dict[str, Kind] = {
    "excursion": Kind("laser", True, "set-point creeps away by amount half widths, and back"),
    "drift_ramp": Kind("laser", True, "drifts by amount half widths per s, then is found again"),
    "tooth_jump": Kind("laser", True, "held amount teeth further: the beat reads the same"),
    "unlock": Kind("laser", True, "the lock is lost; without push the laser sits amount Hz away"),
    "mode_hop": Kind("laser", True, "the lock is lost, amount Hz away: out of the piezo's reach"),
    "noisy": Kind("laser", True, "its mean of a gate scatters by amount half widths"),
    "power_drop": Kind("laser", False, "too weak to be counted"),
    "seed_drop": Kind("laser", False, "its amplifier is not seeded"),
    "lock_lamp_stuck": Kind("laser", False, "the lock's lamp stays as it is"),
    "front_panel": Kind("laser", False, "somebody turns its piezo by amount V"),
    "holdover": Kind("reference", True, "y drifts by amount per s, then its time error is removed"),
    "reference_step": Kind("reference", True, "y is off by amount, all lamps well"),
    "comb_unlock": Kind("comb", True, "f_rep drifts by amount Hz per s"),
    "ceo_flip": Kind("comb", True, "locked to the other f_ceo: every tooth lies 2 f_ceo lower"),
    "cycle_slips": Kind("channel", False, "up to amount cycles a gate are lost or won"),
    "nan": Kind("channel", False, "not-a-number"),
    "overflow": Kind("channel", False, "infinity: signal too weak or too strong"),
    "spur": Kind("channel", False, "counts a line amount Hz away"),
    "lo_counted": Kind("channel", False, "counts the local oscillator instead"),
    "saturated": Kind("channel", False, "counts wrong by the fraction amount"),
    "too_good": Kind("channel", False, "the same digits again and again"),
    "order_jump": Kind("channel", False, "reads another interferometer order"),
    "leakage": Kind("channel", False, "the previous channel leaks in, amount Hz"),
    "stuck": Kind("channel", False, "the last value is repeated"),
    "swapped_channels": Kind("instrument", False, "two inputs are exchanged"),
    "internal_timebase": Kind("instrument", False, "counts on its own oscillator, amount off"),
    "unplug": Kind("instrument", False, "the link is down"),
    "power_cut": Kind("instrument", False, "off, then back with other settings"),
    "garbage": Kind("instrument", False, "replies that cannot be read"),
    "late_reply": Kind("instrument", False, "readings come amount s late"),
    "clock_step": Kind("instrument", False, "its stamps jump"),
    "recalibration": Kind("instrument", False, "all channels of the wavemeter step by amount Hz"),
    "wavemeter_bias": Kind("instrument", False, "all its channels creep away to amount Hz"),
    "interlock_open": Kind("door", False, "the door is open"),
    "interlock_stale": Kind("door", False, "nothing is heard of the door"),
}

LOSES_LOCK = ("unlock", "mode_hop")
