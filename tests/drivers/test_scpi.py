"""SCPI-1999 and IEEE 488.2 replies."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from labref.drivers.asking import Asker
from labref.drivers.dialect import Dialect
from labref.drivers.scpi import (
    Identity,
    ascii_text,
    block_values,
    parse_error,
    parse_identity,
    read_block,
    split_units,
    split_values,
)
from labref.model.errors import LinkError, ReplyError
from labref.model.times import VirtualClock
from labref.transport.blocking import Transport
from labref.transport.memory import AnsweringPeer, MemoryWire


def test_identity() -> None:
    identity = parse_identity(b"INVENTED LAB, COUNTER ,17,1.0\r\n")
    assert identity == Identity("INVENTED LAB", "COUNTER", "17", "1.0")
    assert identity.is_same_device(Identity("INVENTED LAB", "COUNTER", "17", "2.0"))
    assert not identity.is_same_device(Identity("INVENTED LAB", "COUNTER", "18", "1.0"))


@pytest.mark.parametrize(
    "line", [b"", b"COUNTER", b"1,2,3", b"1.0E7,2.0E7", b"a,\xff", b"a," * 200]
)
def test_what_identifies_nothing(line: bytes) -> None:
    with pytest.raises(ReplyError):
        parse_identity(line)


def test_error_entries() -> None:
    entry = parse_error('-222,"Data out of range;no ""such"" range"')
    assert entry.code == -222
    assert entry.text == 'Data out of range;no "such" range'
    assert parse_error('+0,"No error"').code == 0
    for text in ("0", "0,No error", '0;"No error"', "20518400.0", ""):
        with pytest.raises(ReplyError):
            parse_error(text)


def test_semicolons_and_commas_in_quotes_do_not_split() -> None:
    assert split_units('1;-100,"a;b";2') == ["1", '-100,"a;b"', "2"]
    assert split_values('"a,b",2') == ['"a,b"', "2"]
    with pytest.raises(ReplyError, match="unfinished"):
        split_units('1;"a')


def test_only_printable_ascii_is_text() -> None:
    assert ascii_text(b" 1.0\r\n") == "1.0"
    for line in (b"1.0\x00\x01", b"\xb5", b"a\tb"):
        with pytest.raises(ReplyError):
            ascii_text(line)


def block_of(*pieces: bytes) -> bytes:
    clock = VirtualClock()
    peer = AnsweringPeer(lambda line: [(0.1 * i, piece) for i, piece in enumerate(pieces)], clock)
    transport = Transport(MemoryWire(peer, clock), clock)
    transport.open()
    transport.write("DATA?")
    return transport.perform(read_block(1000))


def test_a_block_may_hold_any_byte_and_come_in_pieces() -> None:
    assert block_of(b"#15", b"a\nb", b";\n\n") == b"a\nb;\n"
    assert block_of(b"#3010", b"0123456789\n") == b"0123456789"
    assert block_of(b"#10\n") == b""


@pytest.mark.parametrize(
    "data",
    [b"#0abc\n", b"15abcde\n", b"#x\n", b"#2a5\n", b"#9999999999\n", b"#13abcd\n", b"#41001\n"],
)
def test_wrong_blocks_are_refused(data: bytes) -> None:
    with pytest.raises(ReplyError):
        block_of(data)


def test_a_block_that_stays_short_ends_at_the_timeout() -> None:
    with pytest.raises(LinkError, match="no complete reply"):
        block_of(b"#15abc")


def test_block_values_in_both_byte_orders() -> None:
    data = struct.pack(">4d", 1.0, 2.0, 3.0, 4.0)
    np.testing.assert_array_equal(block_values(data, "real64", 2), [[1.0, 2.0], [3.0, 4.0]])
    swapped = struct.pack("<2f", 1.5, 2.5)
    np.testing.assert_array_equal(block_values(swapped, "real32", 1, False), [[1.5], [2.5]])
    with pytest.raises(ReplyError, match="whole rows"):
        block_values(data[:-1], "real64", 2)


def asker(**changes: object) -> Asker:
    return Asker(Dialect(name="x", about="x", program="poll", **changes))  # type: ignore[arg-type]


def conversation(replies: dict[str, str]) -> tuple[Transport, AnsweringPeer]:
    clock = VirtualClock()
    peer = AnsweringPeer(lambda line: (replies[line.decode()] + "\n").encode(), clock)
    transport = Transport(MemoryWire(peer, clock), clock)
    transport.open()
    return transport, peer


def test_the_sentinel_alternates_so_that_an_old_reply_does_not_fit() -> None:
    ask = asker()
    first, second = ":A?;:SYST:ERR?", ":SYST:ERR?;:A?"
    transport, peer = conversation({first: '1;0,"No error"', second: '0,"No error";2'})
    assert transport.perform(ask.many(["A?"])) == (["1"], [])
    assert transport.perform(ask.many(["A?"])) == (["2"], [])
    assert [line.decode() for line in peer.heard] == [first, second]
    transport, _ = conversation({first: '0,"No error";2'})  # the previous round's reply
    with pytest.raises(ReplyError):
        transport.perform(ask.many(["A?"]))


def test_a_wrong_number_of_answers_is_refused() -> None:
    transport, _ = conversation({":A?;:B?;:SYST:ERR?": '1;0,"No error"'})
    with pytest.raises(ReplyError, match="3 questions, 2 answers"):
        transport.perform(asker().many(["A?", "B?"]))


def test_errors_are_read_until_the_queue_is_empty() -> None:
    queue = ['-100,"Command error"', '0,"No error"']
    clock = VirtualClock()

    def answer(line: bytes) -> bytes:
        reply = b"7;" if line.startswith(b":A?") else b""
        return reply + queue.pop(0).encode() + b"\n"

    transport = Transport(MemoryWire(AnsweringPeer(answer, clock), clock), clock)
    transport.open()
    assert transport.perform(asker().many(["A?"])) == (["7"], ['-100,"Command error"'])


def test_an_acknowledgement_must_be_right() -> None:
    transport, _ = conversation({"GO": "OK", "STOP": "ERR"})
    ask = asker(acknowledge="OK")
    transport.perform(ask.tell("GO"))
    with pytest.raises(ReplyError, match="'ERR' where 'OK'"):
        transport.perform(ask.tell("STOP"))
