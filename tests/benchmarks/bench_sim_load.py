"""Can the simulators keep up? 32 counters at 100 readings/s each, and one at 10 000 readings/s.

Run: ``python tests/benchmarks/bench_sim_load.py [SECONDS]``. The client is bare sockets on one
selector, the simulators a process of their own. Printed: readings received over readings due,
lost gates by the gate index, and the simulators' CPU share beside that of the bare client,
which is the baseline.
"""

import json
import os
import resource
import selectors
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
HEAD = """
[reference.ref]
h0 = 1e-24
[comb]
lock = "rf"
reference = "ref"
f_rep_hz = 250012960
f_ceo_hz = 37250000
[cavity.still]
hm1 = 1e-28
[laser.L866]
nominal_hz = 346000235016000
hold = "still"
h0 = 1e4
[signal.beat]
kind = "beat"
laser = "L866"
"""


def counters(count: int, inputs: int, gate_s: str) -> tuple[str, str]:
    """Scenario text, and the message that starts every counter."""
    row = '[instrument.c{}]\nkind = "scpi_counter"\nreference = "ref"\ninputs = [{}]\n'
    names = ", ".join(['"beat"'] * inputs)
    text = HEAD + "".join(row.format(index, names) for index in range(count))
    return text, f"FORM:IND ON;:FREQ:APER {gate_s};:INIT:CONT ON\n"


def cpu_s(pid: int) -> float:
    """User and system time of a process, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def own_cpu_s() -> float:
    """User and system time of this process, s."""
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def run(count: int, inputs: int, gate_s: str, block: int, seconds: float) -> dict[str, float]:
    """Ask every counter for blocks of rows for a while."""
    text, start_message = counters(count, inputs, gate_s)
    with tempfile.NamedTemporaryFile("w", suffix=".toml") as file:
        file.write(text)
        file.flush()
        process = subprocess.Popen(
            [sys.executable, "-m", "sim_instruments", "--scenario", file.name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            cwd=ROOT,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        assert process.stdout is not None
        announced = json.loads(process.stdout.readline())
    try:
        return measure(process.pid, announced, start_message, inputs, block, seconds)
    finally:
        process.kill()
        process.communicate()


def measure(
    pid: int, announced: dict, start_message: str, inputs: int, block: int, seconds: float
) -> dict[str, float]:
    """Rows received, rows lost, CPU shares."""
    query = f"DATA:REM? {block},WAIT\n".encode()
    selector = selectors.DefaultSelector()
    last: dict[int, int] = {}
    for row in announced["instruments"].values():
        peer = socket.create_connection(("127.0.0.1", int(row["address"].split("::")[2])))
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        peer.sendall(start_message.encode() + query)
        selector.register(peer, selectors.EVENT_READ, bytearray())
    received = lost = 0
    begin, cpu, own = time.monotonic(), cpu_s(pid), own_cpu_s()
    while time.monotonic() < begin + seconds:
        for key, _ in selector.select(0.5):
            key.data.extend(key.fileobj.recv(1 << 20))
            if not key.data.endswith(b"\n"):
                continue
            indices = [int(field) for field in key.data.split(b",")[:: inputs + 1]]
            key.data.clear()
            key.fileobj.sendall(query)
            lost += indices[-1] - last.get(key.fd, -1) - len(indices)
            last[key.fd] = indices[-1]
            received += len(indices) * inputs
    took = time.monotonic() - begin
    result = {
        "received_per_s": received / took,
        "lost": lost,
        "simulators": (cpu_s(pid) - cpu) / took,
        "client": (own_cpu_s() - own) / took,
    }
    for key in list(selector.get_map().values()):
        key.fileobj.close()
    return result


def main() -> None:
    """Print the table."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    cases = [
        ("32 counters x 100/s, single", 32, 1, "0.01", 1, 3200.0),
        ("32 counters x 100/s, blocks of 10", 32, 1, "0.01", 10, 3200.0),
        ("1 counter, 10 inputs x 1000/s, blocks of 50", 1, 10, "0.001", 50, 10000.0),
    ]
    print(f"{'case':46} {'due/s':>7} {'got/s':>7} {'lost':>5} {'sim CPU':>15} {'client':>7} ratio")
    for name, count, inputs, gate_s, block, due in cases:
        runs = [run(count, inputs, gate_s, block, seconds) for _ in range(3)]
        shares = [100 * row["simulators"] for row in runs]
        client = statistics.median(100 * row["client"] for row in runs)
        median, spread = statistics.median(shares), max(shares) - min(shares)
        got = statistics.median(row["received_per_s"] for row in runs)
        lost = sum(row["lost"] for row in runs)
        print(
            f"{name:46} {due:7.0f} {got:7.0f} {lost:5.0f} {median:6.1f} % +-{spread / 2:4.1f}"
            f" {client:5.1f} % {median / client:5.1f}"
        )


if __name__ == "__main__":
    main()
