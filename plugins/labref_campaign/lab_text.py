"""The lab file of a campaign: what the invented laboratory's people know and state."""

from __future__ import annotations

from sim_instruments.campaign.lab import TUNE_HZ, CampaignLab
from sim_instruments.campaign.scenario import LaserRow, Scenario

SIGNED = "A. Person, 2026-11-01: into a closed fibre, decided with the laser-safety officer"


def lab_text(scenario: Scenario) -> str:
    """The whole lab file of a scenario. Every instrument is by hand: readings are put in."""
    parts = [_head(scenario)]
    parts += [_laser(scenario, row) for row in scenario.lasers]
    parts += [_relock(row) for row in scenario.lasers if row.relocks]
    parts += [_steer(row) for row in scenario.lasers if row.held == "cavity"]
    return "\n".join(parts)


def _channel(name: str, nominal: int, kind: str, *more: str, unit: str = "Hz") -> str:
    hz = "_hz" if unit == "Hz" else ""
    lines = [
        f"[channels.{name}]",
        f"nominal{hz} = {nominal}",
        f'kind = "{kind}"',
        f'instrument = "{CampaignLab.instrument_of(name)}"',
        f'input = "{name}"',
        "gate_s = 1",
    ]
    if unit != "Hz":
        lines += [f'unit = "{unit}"', "sigma = 1e-3"]
    return "\n".join([*lines, *more]) + "\n"


def _head(s: Scenario) -> str:
    number = s.number
    counted = 'reference = "gnssdo"\ngroup = "counters"\nloop = "in"\nsigma = '
    names = ("counter_a", "counter_b", "wavemeter", "analog", "synth")
    text = f'labref = 1\ntitle = "{s.title}"\n'
    text += f"[references.gnssdo]\nu = {number('reference', 'u')}\n"
    text += 'kind = "GNSS-disciplined oscillator"\nheight_m = 200\n'
    text += f"[references.second]\nu = {number('reference', 'second_u')}\n"
    for name in names:
        text += f'[instruments.{name}]\naddress = "memory-{name}"\ndialect = "by hand"\n'
    text += _channel("f_rep", s.f_rep_hz, "repetition rate", counted + _number(s, "f_rep"))
    offset_hz = s.f_ceo_hz
    text += _channel("f_ceo", offset_hz, "offset", counted + _number(s, "f_ceo"))
    for name in ("ref_lamp", "door", "seed", "beam_blocked"):
        text += _channel(name, 0, "level", unit="V")
    text += _channel("second_clock", 10**7, "clock", 'reference = "second"', "sigma = 1e-4")
    text += _channel("time_error", 0, "time error", unit="s").replace("1e-3", "5e-9")
    text += _health(s)
    text += '[combs.main]\nf_rep = "f_rep"\nf_ceo = "f_ceo"\n'
    text += _level("ref_lamp", 0.999, 1.1)
    # Held in loops, and counted finer than any digit that could honestly come twice.
    beats = ", ".join(f'"beat_{row.name}"' for row in s.lasers)
    text += f'[too_good]\nchannels = ["f_rep", "f_ceo", {beats}]\n'
    text += '[interlocks.door]\nchannel = "door"\nlimits = [4.9, 5.1]\n'
    return text + "[actuation]\nexpires_h = 12\n[alarms]\non_delay_s = 0\noff_delay_s = 10\n"


def _health(s: Scenario) -> str:
    sigma = s.number("reference", "time_sigma_ns")
    return f"""[reference_health.gnssdo]
reference = "gnssdo"
lock = {{ channel = "ref_lamp", limits = [0.999, 1.1], max_age_s = 3 }}
holdover = {{ channel = "ref_lamp", limits = [-0.1, 0.999], max_age_s = 3 }}
time_error = "time_error"
time_sigma = {sigma!r}e-9
loop_time_constant_s = 100
holdover_y0 = 1e-12
holdover_drift_per_day = {s.number("reference", "holdover_drift_per_day")!r}
longest_holdover_s = 7200
against = {{ channel = "second_clock", within = 1.2e-11, average = 30 }}
"""


def _number(s: Scenario, channel: str) -> str:
    return repr(s.number("comb", f"{channel}_sigma_hz"))


def _level(channel: str, low: float, high: float) -> str:
    return (
        f'[witnesses.{channel}]\nkind = "level"\nchannel = "{channel}"\n'
        f"limits = [{low}, {high}]\nmax_age_s = 3\n"
    )


def _laser(s: Scenario, row: LaserRow) -> str:
    tap = row.mode * s.f_rep_hz + s.f_ceo_hz + row.beat_hz
    loop = "in" if row.held == "comb" else "out"
    counted = f'reference = "gnssdo"\ngroup = "counters"\nloop = "{loop}"\n'
    beat = counted + f"sigma = {row.count_sigma_hz!r}"
    wm_u = 1.2 * s.number("wavemeter", "u_hz")
    coarse = f"u = {wm_u!r}\nsigma = {s.number('wavemeter', 'sigma_hz')!r}"
    low, high = row.limits_hz
    forbidden = ", ".join(f"[{a!r}, {b!r}]" for a, b in row.forbidden_hz)
    path = [f"{{ times = {row.harmonic} }}"] if row.harmonic > 1 else []
    return f"""{_channel(f"beat_{row.name}", row.beat_hz, "beat", beat)}
{_channel(f"wm_{row.name}", tap, "wavemeter", coarse)}
[lasers.{row.name}]
comb = "main"
n = {row.mode}
beat = "beat_{row.name}"
sign = "+"
[lasers.{row.name}.evidence]
found = "{_day(s)}"
by = "invented"
method = "wavemeter"
[witnesses.wm_at_{row.name}]
kind = "frequency"
channel = "wm_{row.name}"
laser = "{row.name}"
within = {s.number("wavemeter", "within_hz")!r}
calibrated_by = "a molecular line"
max_age_s = 3
[transitions.{row.transition}]
laser = "{row.name}"
path = [{", ".join(path)}]
target_hz = {row.harmonic * tap}
target_u_hz = {row.target_u_hz!r}
tolerance_hz = [{low!r}, {high!r}]
{f"forbidden_hz = [{forbidden}]" if forbidden else ""}
witnesses = ["wm_at_{row.name}"]
unwatched = ["noise"]
"""


def _day(s: Scenario) -> str:
    return str(s.tables["start"])


def _output(name: str, channel: str, input_: str, drives: str, more: str) -> str:
    return (
        f'[outputs.{name}]\ninstrument = "{CampaignLab.instrument_of(channel)}"\n'
        f'output = "{input_}"\nchannel = "{channel}"\ndrives = "{drives}"\n'
        f'safe = "hold"\nenabled = true\n{more}\n'
    )


def _relock(row: LaserRow) -> str:
    name = row.name
    piezo, switch, lock = f"piezo_{name}_v", f"switch_{name}_v", f"lock_{name}"
    text = "".join(_channel(c, 0, "voltage", unit="V") for c in (piezo, switch, lock))
    text += _output(
        f"piezo_{name}", piezo, piezo, "piezo",
        "limits = [-10, 10]\nharmless = [-8, 8]\nlargest_step = 0.5\nslew_per_s = 5",
    )  # fmt: skip
    text += _output(
        f"switch_{name}", switch, switch, "lock switch",
        "limits = [0, 5]\nharmless = [0, 5]\nlargest_step = 5\nslew_per_s = 100",
    )  # fmt: skip
    amplifier = (
        'amplifier = "seeded"\nseed_power = { channel = "seed", limits = [0.9, 1.1] }\n'
        'beam_blocked = { channel = "beam_blocked", limits = [0.9, 1.1] }'
        if row.amplifier
        else f'amplifier = "none"\nbeam_open = "{SIGNED}"'
    )
    return f"""{text}
[relock.{name}]
armed = true
transition = "{row.transition}"
lock = {{ channel = "{lock}", limits = [0.98, 1.2], max_age_s = 3 }}
sweep = "piezo_{name}"
sweep_step = 0.25
sweep_span = 15
engage = {{ output = "switch_{name}", on = 5, off = 0 }}
coarse = "wm_at_{name}"
window_hz = 20e6
needs = ["ref_lamp"]
{amplifier}
lost_s = 2
settle_s = 0.2
catch_s = 4
stable_s = 10
verify_s = 60
attempts_per_hour = 3
attempts_per_day = 10
"""


def _steer(row: LaserRow) -> str:
    held = 'reference = "gnssdo"\nhold_s = 5\nsigma = 0'
    low, high = TUNE_HZ - 10**6, TUNE_HZ + 10**6
    text = _channel("tune_hz", TUNE_HZ, "lock offset", held)
    text += _output(
        "tune", "tune_hz", "tune_hz", "lock offset",
        f"limits = [{low}, {high}]\nharmless = [{low}, {high}]\n"
        "largest_step = 100\nslew_per_s = 100",
    )  # fmt: skip
    return f"""{text}
[steer.cavity]
armed = true
laser = "{row.name}"
output = "tune"
sensor = "{row.transition}"
gain = 1
first_step = 100
step = 100
every_s = 300
per_hour = 2000
per_day = 20000
phase_continuous = true
walk_hz = {row.walk_hz!r}
drift_walk_hz_per_s = {row.drift_walk_hz_per_s!r}
max_age_s = 600
average_s = 10
attempts_per_hour = 4
attempts_per_day = 12
"""
