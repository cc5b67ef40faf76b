"""What a week leaves in the daemon's memory: `python tests/benchmarks/week.py [DAYS]`.

The real daemon with its real journal, API and one listening stream; only the guard's process is replaced by one that
tells a whole day (86,400 ticks of two workers and every channel of this bench) as fast as the journal takes it.
"""

import json
import multiprocessing
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "web"))

from api_load import streams
from daemon_bench import LONG, DaemonBench
from soak_bench import wait_until

DAY_TICKS = 86_400
CHUNK = 64
HOUR_S = 3600.0


def tell_a_day(descriptor: int) -> None:
    """In the place of soakd.service.engine_process."""
    channel = socket.socket(fileno=descriptor)
    lines = channel.makefile("rb")
    record = json.loads(lines.readline())
    lines.readline()

    def say(**event: object) -> bytes:
        return json.dumps(event).encode() + b"\n"

    channel.sendall(say(kind="prepared", at_s=0.0, crew_pid=1, priority="none: a simulated week", digests={}))
    channel.sendall(say(kind="stage-announced", at_s=0.0, stage=0))
    lines.readline()
    pids = dict.fromkeys(record["cores"], 1)
    channel.sendall(say(kind="stage-started", at_s=0.0, stage=0, pids=pids))
    values = {each["name"]: 42.0 for each in record["channels"]}

    def workers(at_s: float) -> list[dict[str, object]]:
        rounds = int(2 * at_s)
        times = {"work_s": at_s, "check_s": 0.0, "checked_s": at_s, "core_s": at_s}
        return [{"core": core, "rounds": rounds, "operations": rounds * 10**9, **times} for core in pids]

    for first in range(0, DAY_TICKS, CHUNK):
        told = b""
        for number in range(first, min(first + CHUNK, DAY_TICKS)):
            moved = {name: value + number % 7 for name, value in values.items()}
            tick = {"number": number, "stage": 0, "late_s": 0.0, "values": moved, "gaps": {}}
            told += say(kind="tick", at_s=number + 1.0, **tick, workers=workers(number + 1.0))
        channel.sendall(told)
    end_s = float(DAY_TICKS)
    channel.sendall(say(kind="stage-ended", at_s=end_s, stage=0, complete=True, workers=workers(end_s)))
    cost = {"guard_cpu_s": 0.0, "guard_peak_mib": 0.0, "late_readings": {}}
    channel.sendall(say(kind="run-ended", at_s=end_s, ticks_due=DAY_TICKS, ticks_lost=0, **cost))


def serve() -> None:
    """`soakd serve` with that one exchange."""
    from soakd.cli.main import main as command
    from soakd.service import session

    class Popen(subprocess.Popen):
        def __init__(self, words, **rest):
            if "soakd.service.engine_process" in words:
                words = [sys.executable, __file__, "tell", words[-4]]
            super().__init__(words, **rest)

    session.subprocess.Popen = Popen
    sys.argv = ["soakd", "serve"]
    command()


def memory_mib(pid: int) -> str:
    lines = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    return f"{int(lines['VmRSS'].split()[0]) / 1024:.0f} MiB (peak {int(lines['VmHWM'].split()[0]) / 1024:.0f})"


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    plan = {**LONG, "name": "Day", "stage": [{**LONG["stage"][0], "duration": "24 h"}]}
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as folder:
        daemon = DaemonBench(Path(folder))
        daemon.start(command=[sys.executable, __file__, "serve"]).ready()
        (api,) = daemon.role("soakd.service.web_process")
        heard = context.Queue()
        until = time.monotonic() + HOUR_S
        listener = context.Process(target=streams, args=(daemon.home / "soakd.sock", 1, until, heard), daemon=True)
        listener.start()
        print(f"at the start: daemon {memory_mib(daemon.process.pid)}, API {memory_mib(api)}", flush=True)
        for day in range(1, days + 1):
            began = time.perf_counter()
            daemon.add(plan)
            wait_until(lambda day=day: len(daemon.outcomes()) == day, "the day did not end", HOUR_S)
            took_s = time.perf_counter() - began
            print(
                f"day {day}: daemon {memory_mib(daemon.process.pid)}, API {memory_mib(api)}; told in {took_s:.0f} s, "
                f"judged {daemon.outcomes()[-1][1]}",
                flush=True,
            )
        size_mib = (daemon.home / "journal.db").stat().st_size / 2**20
        ticks = daemon.rows("SELECT count(*) FROM tick")[0][0]
        print(f"{ticks} ticks in the journal, {size_mib:.0f} MiB")
        listener.kill()
        daemon.close()


if __name__ == "__main__":
    if sys.argv[1:2] == ["tell"]:
        tell_a_day(int(sys.argv[2]))
    elif sys.argv[1:2] == ["serve"]:
        serve()
    else:
        main()
