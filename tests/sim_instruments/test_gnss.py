"""The receiver's sentences and the disciplined oscillator's status."""

import re
from functools import reduce

SENTENCE = re.compile(rb"\$([^*]{1,78})\*([0-9A-F]{2})\r\n\Z")


def receiver(tools, faults=()):
    gnss = {"kind": "nmea", "reference": "ref", "latitude": -33.5, "longitude": -70.25}
    status = {"kind": "scpi_gnss", "reference": "ref"}
    return tools.only(faults, gnss=gnss, status=status)


def second(bench):
    text = bench.read("gnss")
    lines = text.splitlines(keepends=True)
    for line in lines:
        match = SENTENCE.match(line)
        assert match, line
        assert len(line) <= 82
        assert reduce(lambda a, b: a ^ b, match.group(1)) == int(match.group(2), 16)
    return {line[3:6].decode(): line.decode().split(",") for line in lines}


def test_sentences_have_valid_checksums_and_the_time(tools):
    bench = receiver(tools)
    said = second(bench)
    assert set(said) == {"GGA", "GSA", "RMC", "ZDA"}
    assert said["GGA"][1] == "221321.00"  # 1 700 000 001 s after 1970
    assert said["RMC"][9] == "141123"
    assert said["ZDA"][2:5] == ["14", "11", "2023"]
    assert said["GGA"][2:6] == ["3330.0000", "S", "07015.0000", "W"]
    assert said["GGA"][6] == "1"
    assert said["RMC"][2] == "A"
    assert bench.now_ns % 10**9 == 60_000_000


def test_no_fix_is_said(tools):
    bench = receiver(tools, [tools.strike("no_fix", "gnss")])
    bench.advance(12)
    bench.read("gnss")
    said = second(bench)
    assert (said["GGA"][6], said["RMC"][2], said["GSA"][2]) == ("0", "V", "1")


def test_clock_step_of_the_receiver(tools):
    bench = receiver(tools, [tools.strike("clock_step", "gnss", amount=-1)])
    bench.advance(12)
    bench.read("gnss")
    told = int(second(bench)["GGA"][1][4:6])
    assert (bench.now_ns // 10**9 - told) % 60 == 1


def test_after_long_holdover_it_is_free(tools):
    bench = receiver(tools, [tools.strike("holdover", "ref", amount=1e-10, free_after_s=4)])
    bench.advance(12)
    assert bench.ask("status", "SYNC:STAT?;LOCK?") == "HOLD;0"
    bench.advance(4)
    assert bench.ask("status", "SYNC:STAT?;LOCK?;:GPS:SAT:TRAC:COUN?") == "FREE;0;0"


def test_holdover_is_told_by_the_status_not_by_the_position(tools):
    holdover = tools.strike("holdover", "ref", amount=1e-10, recover_y=1e-9)
    bench = receiver(tools, [holdover])
    assert bench.ask("status", "SYNC:STAT?;LOCK?;:STAT:QUES:COND?") == "LOCK;1;0"
    bench.advance(15)
    assert bench.ask("status", "SYNC:STAT?;LOCK?;:STAT:QUES:COND?") == "HOLD;0;8"
    bench.advance(7)  # 5 ns of time error, taken out at 1e-9 in 5 s
    assert bench.ask("status", "SYNC:STAT?;LOCK?;:STAT:QUES:COND?") == "REC;1;8"
    bench.read("gnss")
    assert second(bench)["GGA"][6] == "1"
    bench.advance(6)
    assert bench.ask("status", "SYNC:STAT?") == "LOCK"
