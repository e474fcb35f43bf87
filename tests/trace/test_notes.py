"""Messages and verdict intervals: any length, nothing cut, also across sealing and merging."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from labref.model.verdict import State
from labref.trace.layout import TraceLayout
from labref.trace.live import TraceWriter
from labref.trace.reader import open_trace
from labref.trace.records import Interval
from labref.trace.texts import fits_reason, message_records, pieces

GATE_NS = 1_000_000_000
LONG = "the reference has been in holdover since yesterday: größer als erlaubt " * 20


@given(st.text(), st.integers(4, 300))
def test_pieces_put_together_are_the_text(text, size):
    text = text.replace("\0", "")
    try:
        text.encode()
    except UnicodeEncodeError:
        return  # lone surrogates are no text
    parts = pieces(text, size)
    assert b"".join(parts).decode() == text
    assert all(len(part) <= size for part in parts)
    for part in parts:
        part.decode()  # never cut inside a character


def test_a_kind_that_is_too_long_moves_into_the_text():
    (record,) = message_records(1, 0, "k" * 40, "hello")
    assert record["kind"] == b"message"
    assert record["text"] == b"k" * 40 + b": hello"


@pytest.mark.parametrize("reason", ["#3", "x" * 65, "a\0b"])
def test_reasons_that_do_not_fit_their_column(reason):
    assert not fits_reason(reason)


def test_texts_come_back_whole_from_every_form(writer, readings, start_ns):
    writer.store([readings("f_rep", 0, 10)])
    writer.message(start_ns, "set-point", "short")
    writer.message(start_ns + 1, "fault", LONG * 40)
    writer.validity("clock729", start_ns, start_ns + GATE_NS, State.GOOD, "")
    writer.validity("clock729", start_ns, start_ns + 5 * GATE_NS, State.GOOD, "")
    writer.validity("clock729", start_ns + 5 * GATE_NS, start_ns + 6 * GATE_NS, State.BAD, LONG)
    writer.validity("clock729", start_ns + 6 * GATE_NS, start_ns + 7 * GATE_NS, 0, "#2")
    wanted = [
        Interval(start_ns, start_ns + 5 * GATE_NS, State.GOOD, ""),
        Interval(start_ns + 5 * GATE_NS, start_ns + 6 * GATE_NS, State.BAD, LONG),
        Interval(start_ns + 6 * GATE_NS, start_ns + 7 * GATE_NS, State.UNKNOWN, "#2"),
    ]

    def check() -> None:
        with open_trace(writer.folder) as trace:
            assert [m.text for m in trace.messages()] == ["short", LONG * 40]
            assert [m.kind for m in trace.messages()] == ["set-point", "fault"]
            assert trace.validity("clock729") == wanted
            middle = start_ns + 5 * GATE_NS
            assert trace.validity("clock729", middle, middle + 1) == wanted[1:2]
            assert len(trace.messages(start_ns + 1)) == 1

    check()
    writer.close()
    check()
    # The next day's first segment makes the daily merge of this one.
    with TraceWriter(
        writer.folder, TraceLayout(()), clock=writer._clock, start_ns=start_ns
    ) as later:
        later.message(start_ns + 2, "note", "later")
    assert len(list(writer.folder.glob("*.h5"))) == 2
    writer_again = TraceWriter(
        writer.folder, writer._layout, clock=writer._clock, start_ns=start_ns + 9 * 86_400 * GATE_NS
    )
    writer_again.store([readings("f_rep", 10 * 86_400, 1)])
    writer_again.store([readings("f_rep", 11 * 86_400, 1)])
    writer_again.close()
    assert (writer.folder / "2019-03-01.h5").exists()
    with open_trace(writer.folder) as trace:
        assert trace.validity("clock729") == wanted
        assert [m.text for m in trace.messages()] == ["short", LONG * 40, "later"]


def test_more_notes_than_fit_go_to_the_next_segment(writer, readings, start_ns):
    writer.store([readings("f_rep", 0)])
    for number in range(1500):
        writer.message(start_ns + number, "note", f"number {number}")
        begin = start_ns + number * GATE_NS
        writer.validity("clock729", begin, begin + GATE_NS, State(number % 3), f"why {number}")
    writer.message(start_ns + 2000, "note", "x" * 500_000)
    with open_trace(writer.folder) as trace:
        messages = trace.messages()
        assert [m.text for m in messages[:-1]] == [f"number {n}" for n in range(1500)]
        assert messages[-1].text == "x" * 500_000
        assert [i.reason for i in trace.validity("clock729")] == [f"why {n}" for n in range(1500)]


def test_a_message_before_any_row_waits_for_it(writer, readings, start_ns):
    writer.message(start_ns, "note", "early")
    assert not list(writer.folder.glob("*.h5"))
    writer.store([readings("f_rep", 0)])
    with open_trace(writer.folder) as trace:
        assert [m.text for m in trace.messages()] == ["early"]


def test_messages_alone_are_a_record(writer, start_ns):
    writer.message(start_ns, "note", "nothing else happened")
    (path,) = writer.close()
    with open_trace(path) as trace:
        assert [m.text for m in trace.messages()] == ["nothing else happened"]


@settings(
    max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(texts=st.lists(st.text(max_size=600), max_size=6))
def test_any_texts_come_back(tmp_path_factory, layout, clock, start_ns, texts):
    texts = [t.encode(errors="replace").decode().replace("\0", "\u2400") for t in texts]
    folder = tmp_path_factory.mktemp("texts")
    with TraceWriter(folder, layout, clock=clock, start_ns=start_ns) as writer:
        for number, text in enumerate(texts):
            writer.message(start_ns + number, "note", text)
        with open_trace(folder) as trace:
            assert [m.text for m in trace.messages()] == texts
    if texts:
        with open_trace(folder) as trace:
            assert [m.text for m in trace.messages()] == texts
