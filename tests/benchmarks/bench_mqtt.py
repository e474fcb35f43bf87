"""One comb host and eight laser tables at 10 Hz: from a gate's end to the tables' readers.

Run: ``python tests/benchmarks/bench_mqtt.py [tables] [seconds] [gate_s]``. The broker is mosquitto
on loopback. The publisher shares two channels; each table has a reader on a selector loop of its
own. Latency: the gate's end to `collect` on the table, which the next pass would judge (a pass is
below 1 ms). Then messages per second until the publisher has more waiting than under way.
"""

import statistics
import sys
import tempfile
import threading
import time
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "mqtt"))

import numpy as np
from conftest import Broker

from labref.drivers.base import InstrumentSetup
from labref.model.channel import Channel
from labref.model.readings import block
from labref.model.times import RealClock
from labref.session.readers import make_reader
from labref.transport.loop import SelectorLoop
from labref.transport.wires import Wires
from labref_mqtt.publisher import Publisher
from labref_mqtt.table import MqttTable
from labref_mqtt.wire import mqtt_wire

NAMES = ("f_rep", "f_ceo")


class Lab:
    def __init__(self) -> None:
        self.channels = {name: Channel(name, Fraction(250_000_000)) for name in NAMES}


class Table:
    """One laser table's reader and the delays that it saw."""

    def __init__(self, address: str, gate_s: float) -> None:
        self.delays: list[float] = []
        self.unusable = 0
        self.woken = threading.Event()
        clock = RealClock()
        gate_ns = round(gate_s * 1e9)
        inputs = tuple((n, Channel(n, Fraction(250_000_000), gate_ns=gate_ns)) for n in NAMES)
        setup = InstrumentSetup("comb_host", address, "shared-channels", inputs, {}, 1.0)
        wires = Wires({"mqtt://": mqtt_wire})
        self.reader = make_reader(
            setup, clock, wires, loop=SelectorLoop(clock), wake=self.woken.set
        )
        self.reader.start()

    def run(self, until_s: float) -> None:
        while time.monotonic() < until_s:
            self.woken.wait(0.1)
            self.woken.clear()
            for found in self.reader.collect():
                now = time.time_ns()
                usable = found.usable
                self.unusable += int((~usable).sum())
                self.delays += ((now - found.stop_ns[usable]) / 1e6).tolist()


def main() -> None:
    tables = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 20.0
    gate_s = float(sys.argv[3]) if len(sys.argv) > 3 else 0.1
    broker = Broker(Path(tempfile.mkdtemp()), "mosquitto")
    broker.start()
    publisher = Publisher(MqttTable(broker=broker.address(), channels=list(NAMES)), Lab())
    publisher.start()
    made = [Table(broker.address(), gate_s) for _ in range(tables)]
    end_s = time.monotonic() + seconds
    threads = [threading.Thread(target=each.run, args=(end_s,)) for each in made]
    for thread in threads:
        thread.start()
    cpu = time.process_time()
    sent = publish(publisher, end_s, gate_s)
    for thread in threads:
        thread.join()
    warm = [delay for table in made for delay in table.delays[20:]]
    print(
        f"{tables} tables, {1 / gate_s:.0f} Hz, {seconds:.0f} s: {sent} gates sent; "
        f"{len(warm)} usable, delay median {statistics.median(warm):.2f} ms, "
        f"p99 {np.percentile(warm, 99):.2f} ms, max {max(warm):.1f} ms; "
        f"processor {(time.process_time() - cpu) / seconds:.1%} (host and all tables)"
    )
    for table in made:
        table.reader.stop()
    flood(publisher)
    publisher.stop("done")
    broker.kill()


def publish(publisher: Publisher, end_s: float, gate_s: float) -> int:
    gate_ns, sent = round(gate_s * 1e9), 0
    next_ns = (time.time_ns() // gate_ns + 1) * gate_ns
    while time.monotonic() < end_s:
        time.sleep(max(0.0, (next_ns - time.time_ns()) / 1e9))
        publisher.readings([block(name, next_ns - gate_ns, next_ns, 0.1) for name in NAMES])
        next_ns += gate_ns
        sent += len(NAMES)
    return sent


def flood(publisher: Publisher) -> None:
    """Messages per second that the broker acknowledges with one subscriber."""
    begun, count = time.perf_counter(), 20_000
    for number in range(count):
        publisher.readings([block("f_rep", number * 10, number * 10 + 10, 0.1)])
    while publisher._queue or publisher._room() < 200:
        time.sleep(0.01)
    wall = time.perf_counter() - begun
    print(f"{count / wall:.0f} messages/s acknowledged; {publisher.dropped} dropped")


if __name__ == "__main__":
    main()
