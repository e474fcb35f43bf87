"""The log reader against anything: exact round trips, and junk that must not crash it."""

from __future__ import annotations

import contextlib
import tempfile
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labref.config.schema import LogTable, TimeColumn
from labref.model.channel import Channel
from labref.model.errors import InputError
from labref.model.exact import exact, exact_text, offset_of
from labref.model.readings import Readings, join
from labref.model.times import NS_PER_DAY, NS_PER_S, iso, parse_iso
from labref.session import recorded
from labref.session.log_order import longest_rising, settle
from labref.session.log_time import NO_TIME, RowTimes, _iso_alike
from labref.session.log_values import NumberColumn
from labref.session.recorded import RecordedLog

T0 = parse_iso("2026-11-25T20:00:00Z")
NOMINALS = {
    "beat": Fraction(60_000_000),
    "rep": Fraction(999_999_999_999, 1000),
    "third": Fraction(10**9, 3),
    "optical": Fraction(4_110_421_297_764_004, 10),
}
CHANNELS = {name: Channel(name, nominal) for name, nominal in NOMINALS.items()}

DIGITS = st.text("0123456789", min_size=1, max_size=20)


@st.composite
def decimals(draw: st.DrawFn) -> str:
    """Decimal text as instruments write it, and as they should not."""
    sign = draw(st.sampled_from(["", "", "", "-", "+"]))
    whole = draw(DIGITS)
    places = draw(st.one_of(st.just(""), DIGITS.map(lambda d: "." + d), st.just(".")))
    exponent = draw(st.sampled_from(["", "", "", "", "e0", "E+3", "e-7"]))
    return sign + whole + places + exponent


nominals = st.one_of(
    st.integers(0, 10**16).map(Fraction),
    st.fractions(min_value=-(10**15), max_value=10**15, max_denominator=10**9),
    st.sampled_from(list(NOMINALS.values())),
)


@given(st.lists(decimals(), min_size=1, max_size=8), nominals)
def test_offsets_equal_exact_arithmetic_rounded_once(texts: list[str], nominal: Fraction) -> None:
    found, unreadable = NumberColumn(nominal).offsets(texts)
    assert unreadable == []
    assert found.tolist() == [offset_of(text, nominal) for text in texts]


@given(
    st.integers(0, 18),
    st.integers(0, 20),
    st.integers(1, 6),
    st.data(),
    st.sampled_from([0, 0, 3, 6, 12, -3]),
)
def test_columns_laid_out_alike_equal_decimal_arithmetic(
    whole: int, places: int, rows: int, data: st.DataObject, power: int
) -> None:
    # Numbers near a nominal, all with the same digits before and after the point: read by numpy.
    spread = data.draw(st.integers(0, 10**6))
    centre = data.draw(st.integers(0, max(0, 10**whole - 1)))
    texts = []
    for _ in range(rows):
        near = min(max(0, centre + data.draw(st.integers(-spread, spread))), 10**whole - 1)
        tail = data.draw(st.text("0123456789", min_size=places, max_size=places))
        texts.append(f"{near:0{max(whole, 1)}d}" + ("." + tail if places else ""))
    nominal = Fraction(centre) * Fraction(10) ** power
    found, _ = NumberColumn(nominal, power).offsets(texts)
    exactly = [float(exact(Decimal(t)) * Fraction(10) ** power - nominal) for t in texts]
    assert found.tolist() == exactly


@given(
    st.lists(st.integers(0, 2**62 - NS_PER_DAY), min_size=1, max_size=6),
    st.integers(0, 9),
    st.sampled_from(["T", " "]),
    st.sampled_from(["Z", ""]),
    st.sampled_from(["", "x", "2026-13-01T00:00:00", "2026-01-01T24:00:00", "2026-01-01T00:00:60"]),
)
def test_stamps_laid_out_alike_equal_those_read_one_by_one(
    times: list[int], places: int, between: str, end: str, odd: str
) -> None:
    cells = [iso(ns, places)[:-1].replace("T", between) + end for ns in times] + [odd] * bool(odd)
    reader = RowTimes(TimeColumn(column=1))
    one_by_one = []
    for cell in cells:
        try:
            one_by_one.append(parse_iso(cell))
        except InputError:
            one_by_one.append(NO_TIME)
    assert reader.read([cells]).tolist() == one_by_one
    quick = _iso_alike([cell.removesuffix("Z") for cell in cells if cell != odd])
    assert quick is not None
    assert quick.tolist() == one_by_one[: len(times)]


def test_the_quick_way_is_really_taken_and_knows_its_bounds() -> None:
    column = NumberColumn(Fraction(10**7))
    quick = column._alike(["10000000.126856699585915", "10000000.127979800105095"])
    assert quick is not None
    assert quick.tolist() == [0.126856699585915, 0.127979800105095]
    # 10 Hz with 15 places needs more than 53 bits: left to exact integers.
    assert column._alike(["10000010.126856699585915"]) is None
    assert column._alike(["10000000.1", "10000000.12"]) is None
    assert column._alike(["-1000000.1", "10000000.1"]) is None
    assert NumberColumn(Fraction(1, 3))._alike(["1.5"]) is None
    assert NumberColumn(Fraction(0))._alike(["1234567890123456789.0"]) is None


@given(st.binary(max_size=400))
def test_any_bytes_are_gaps_or_an_input_error(junk: bytes) -> None:
    table = LogTable(columns={"beat": 2}, time=TimeColumn(column=1, format="mjd"))
    _read_quietly(junk, table)
    _read_quietly(b"time beat\n61369.0 60000000\n" + junk, table)


@given(
    st.lists(
        st.sampled_from(
            [b"2026-11-25T20:00:00Z", b"60000000", b"1.5", b"nan", b"", b",", b";", b"\t", b" ",
             b"\n", b"\r\n", b"\0", b"#", b'"', b"1,5", b"-", b"e5", b"\xff", b"beat", b"time"]
        ),
        max_size=40,
    ),
    st.sampled_from([None, "comma", "semicolon", "tab", "whitespace"]),
    st.sampled_from([1, "beat"]),
    st.booleans(),
)  # fmt: skip
def test_any_pieces_of_logs_are_gaps_or_an_input_error(
    pieces: list[bytes],
    delimiter: Literal["comma", "semicolon", "tab", "whitespace"] | None,
    column: int | str,
    timed: bool,
) -> None:
    table = LogTable(
        columns={"beat": column},
        time=TimeColumn(column=2) if timed else None,
        start="2026-11-25T20:00:00Z",
        delimiter=delimiter,
    )
    _read_quietly(b"".join(pieces), table)


def _read_quietly(text: bytes, table: LogTable) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.txt"
        path.write_bytes(text)
        log = RecordedLog(path, table, CHANNELS)
        with contextlib.suppress(InputError):
            for block in log:
                for readings in block:
                    assert (np.diff(readings.start_ns) > 0).all()
                    assert (np.isfinite(readings.offset) | ~readings.usable).all()
        log.stop()


# ------------------------------------------------------------------------------- round trips

TIMES = {
    "iso": lambda ns: iso(ns, 9),
    "iso in two": lambda ns: iso(ns, 9)[:-1].replace("T", "\0"),
    "mjd": lambda ns: exact_text(Fraction(ns, NS_PER_DAY) + 40587, 20),
    "seconds": lambda ns: exact_text(Fraction(ns - T0, NS_PER_S)),
    "none": lambda ns: "",
}


@settings(max_examples=150, deadline=None)
@given(
    st.permutations(["time", *CHANNELS]),
    st.sampled_from([" ", "\t", ",", ";", ", ", "   "]),
    st.sampled_from(list(TIMES)),
    st.sampled_from(["start", "stop", "middle"]),
    st.booleans(),
    st.sampled_from(["\n", "\r\n"]),
    st.lists(st.tuples(*[st.integers(-(10**12), 10**12)] * 4), min_size=1, max_size=30),
    st.integers(1, 9),
)
def test_what_was_written_is_read_back_exactly(
    order: list[str],
    between: str,
    time_format: str,
    marks: Literal["start", "stop", "middle"],
    by_name: bool,
    end: str,
    offsets: list[tuple[int, ...]],
    block: int,
) -> None:
    # Offsets are whole nanohertz, so that every nominal but 10^9/3 has a finite decimal text.
    shift = {"start": 0, "middle": NS_PER_S // 2, "stop": NS_PER_S}[marks]
    shift = 0 if time_format == "none" else shift
    names = [name for name in order if name != "time" or time_format != "none"]
    if time_format == "iso in two":
        at = names.index("time")
        names[at : at + 1] = ["date", "clock"]
    lines = [between.join(names)] if by_name else []
    texts: dict[str, list[str]] = {name: [] for name in CHANNELS}
    for row, values in enumerate(offsets):
        stamp = TIMES[time_format](T0 + row * NS_PER_S + shift).split("\0")
        cells = dict(zip(["date", "clock"] if len(stamp) > 1 else ["time"], stamp, strict=True))
        for name, value in zip(CHANNELS, values, strict=True):
            nominal = round(NOMINALS[name] * 10**9)
            cells[name] = exact_text(Fraction(nominal + value, 10**9), 9)
            texts[name].append(cells[name])
        lines.append(between.join(cells[name] for name in names))
    at = {name: (name if by_name else names.index(name) + 1) for name in names}
    table = LogTable(
        columns={name: at[name] for name in CHANNELS}, time=_column(time_format, at, marks),
        start="2026-11-25T20:00:00Z",
    )  # fmt: skip
    found = _read_all(end.join(lines) + end, table, block)
    for name, readings in found.items():
        assert readings.offset.tolist() == [offset_of(t, NOMINALS[name]) for t in texts[name]]
        assert readings.usable.all()
        assert (readings.start_ns - T0).tolist() == [row * NS_PER_S for row in range(len(offsets))]


def _column(
    time_format: str, at: dict[str, int | str], marks: Literal["start", "stop", "middle"]
) -> TimeColumn | None:
    match time_format:
        case "none":
            return None
        case "iso in two":
            return TimeColumn(column=[at["date"], at["clock"]], marks=marks)
        case "mjd":
            return TimeColumn(column=at["time"], format="mjd", marks=marks)
        case "seconds":
            zero = "2026-11-25T20:00:00Z"
            return TimeColumn(column=at["time"], format="seconds", zero=zero, marks=marks)
        case _:
            return TimeColumn(column=at["time"], marks=marks)


def _read_all(text: str, table: LogTable, block: int = 3600) -> dict[str, Readings]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.txt"
        path.write_bytes(text.encode())
        blocks = [
            readings for block in RecordedLog(path, table, CHANNELS, block) for readings in block
        ]
    return {
        name: join([b for b in blocks if b.channel == name])
        for name in {b.channel for b in blocks}
    }  # fmt: skip


# ------------------------------------------------------------------------------------- order

stamps = st.lists(st.one_of(st.none(), st.integers(-20, 40)), max_size=40)


@given(stamps)
def test_longest_rising_is_rising_and_the_longest(values: list[int | None]) -> None:
    times = np.array([v for v in values if v is not None], np.int64)
    chosen = times[longest_rising(times)]
    assert (np.diff(chosen) > 0).all()
    best: list[int] = []
    for i, value in enumerate(times.tolist()):
        best.append(
            1
            + max(
                (b for b, v in zip(best, times[:i].tolist(), strict=True) if v < value), default=0
            )
        )
    assert len(chosen) == max(best, default=0)


@given(stamps, st.one_of(st.none(), st.integers(-10, 10)))
def test_settled_rows_rise_and_only_true_stamps_are_trusted(
    values: list[int | None], after: int | None
) -> None:
    times = np.array([10**9 * (v or 0) for v in values], np.int64)
    readable = np.array([v is not None for v in values], bool)
    after_ns = None if after is None else after * 10**9
    order = settle(times, readable, 10**9, after_ns, np.empty(0, np.int64))
    assert (np.diff(order.times_ns) > 0).all()
    assert after_ns is None or not len(times) or order.times_ns[0] > after_ns
    assert (order.times_ns[order.trusted] == times[order.trusted]).all()
    assert not (order.trusted & ~readable).any()
    # Of two rows that claim one gate neither is trusted.
    claimed = times[readable]
    for row in np.flatnonzero(order.trusted):
        assert np.count_nonzero(claimed == times[row]) == 1


@pytest.mark.parametrize("chunk", [1, 2, 5, 50])
@settings(max_examples=60, deadline=None)
@given(steps=st.lists(st.sampled_from([1, 1, 1, 1, 2, 0, -1, -3]), min_size=1, max_size=40))
def test_no_row_is_lost_and_blocks_do_not_matter(chunk: int, steps: list[int]) -> None:
    times = np.cumsum(steps)
    text = "".join(f"{t} {60_000_000 + row}\n" for row, t in enumerate(times))
    table = LogTable(
        columns={"beat": 2}, time=TimeColumn(column=1, format="seconds", zero="2026-11-25")
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recorded, "_CHUNK", chunk)
        found = [_read_all(text, table, block)["beat"] for block in (1, 3, 100)]
    for readings in found:
        assert readings.offset.tolist() == list(range(len(steps)))
        assert (np.diff(readings.start_ns) > 0).all()
        assert readings.start_ns.tolist() == found[0].start_ns.tolist()
        assert readings.flags.tolist() == found[0].flags.tolist()
