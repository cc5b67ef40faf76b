"""The unit file under a real systemd: `python tests/benchmarks/service_manager.py`, as root; a minute.

systemd runs as process 1 of namespaces of its own (pid, mount, cgroup, network): /run, /tmp, /var/lib and /var/log are
empty ones, /etc is a copy, /root and /home are not there, and of the system's own units none starts. The unit is the
shipped one; a drop-in names the interpreter that runs this script, which everybody must be allowed to execute.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve()
CONFIGS = HERE.parents[2] / "configs"
SYSTEMD = Path("/lib/systemd/systemd")
DEADLINE_S = 240
PLAN = """
version = 1
name = "Under a service manager"
[guard]
temperature = "if-available"
[[stage]]
name = "Memory"
workload = "memory"
memory = "10 %"
duration = "4 s"
[[stage]]
name = "Integer"
workload = "integer"
duration = "10 min"
"""
BOOT = """
set -e
mount --make-rprivate /
mount -t proc proc /proc
cp -a /etc "$1/etc"
for folder in /run /tmp /var/tmp /var/lib /var/log /root /home; do mount -t tmpfs tmpfs $folder; done
mount --bind "$1/etc" /etc
hierarchies=$(awk '$3 ~ /^cgroup2?$/ && ($3 == "cgroup2" || $4 ~ /name=systemd/) {print $2, $3}' /proc/mounts)
umount -R /sys/fs/cgroup
if [ "$(echo "$hierarchies" | wc -l)" = 1 ]; then
    mount -t cgroup2 cgroup2 /sys/fs/cgroup
else
    mount -t tmpfs -o mode=755 tmpfs /sys/fs/cgroup
    mkdir /sys/fs/cgroup/systemd /sys/fs/cgroup/unified
    mount -t cgroup -o none,name=systemd cgroup /sys/fs/cgroup/systemd
    mount -t cgroup2 cgroup2 /sys/fs/cgroup/unified
fi
for wants in /lib/systemd/system/*.wants /etc/systemd/system/*.wants; do mount -t tmpfs tmpfs $wants; done
useradd --system --home-dir /var/lib/soakd soakd
install -D -m 0640 -g soakd "$2/soakd.toml" /etc/soakd/soakd.toml
install -D -m 0644 -t /etc/systemd/system "$2/soakd.service"
mkdir -p /etc/systemd/system/soakd.service.d
printf '[Service]\\nExecStart=\\nExecStart=%s -m soakd.cli.main serve --config /etc/soakd/soakd.toml\\n' "$3" \
    > /etc/systemd/system/soakd.service.d/interpreter.conf
printf '[Service]\\nType=oneshot\\nExecStart=%s %s look %s\\n' "$3" "$4" "$1" > /etc/systemd/system/look.service
printf '[Unit]\\nWants=look.service\\nAllowIsolate=yes\\n' > /etc/systemd/system/look.target
exec env -i container=soakd PATH=/usr/sbin:/usr/bin:/sbin:/bin "$5" --system --unit=look.target --log-target=journal
"""


def ask(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, check=False, timeout=DEADLINE_S).stdout.strip()


def soakd(*words: str) -> str:
    return ask(sys.executable, "-m", "soakd.cli.main", *words)


def shown(*names: str) -> str:
    return ask("systemctl", "show", "soakd", *(f"--property={name}" for name in names)).replace("\n", " ")


def main_process() -> str:
    return ask("systemctl", "show", "soakd", "--property=MainPID", "--value")


def look(folder: Path) -> None:
    """Runs as a unit beside soakd's: starts it, loads it, stops it, hangs it, kills it."""
    import time

    with (folder / "found").open("w", buffering=1) as out:
        os.environ["SOAKD_HOME"] = "/var/lib/soakd"
        plan = Path("/run/plan.toml")
        plan.write_text(PLAN)
        ask("systemctl", "start", "soakd")
        out.write(f"start: {shown('ActiveState', 'StatusText')}; asked at once: {soakd('queue', 'add', str(plan))!r}\n")
        time.sleep(9.0)
        out.write(f"soaking: {shown('StatusText', 'NRestarts')}\n")
        began = time.monotonic()
        ask("systemctl", "stop", "soakd")
        out.write(f"stop: {time.monotonic() - began:.2f} s, {shown('ActiveState', 'Result', 'ExecMainStatus')}\n")
        out.write(f"{soakd('verdict', 'list')}\n")
        verdict = soakd("verdict", "show", "last")
        wanted = ("priority", "locked", "load gone")
        out.writelines(f"  {line.strip()}\n" for line in verdict.splitlines() if any(word in line for word in wanted))
        ask("systemctl", "start", "soakd")
        os.kill(int(main_process()), 9)
        time.sleep(8.0)
        out.write(f"kill -9: {shown('ActiveState', 'NRestarts')}\n")
        ask("kill", "-STOP", main_process())
        time.sleep(45.0)
        out.write(f"hung: {shown('ActiveState', 'NRestarts')}\n")
    ask("systemctl", "poweroff", "-ff")


def main() -> None:
    if os.geteuid() != 0 or not SYSTEMD.exists():
        sys.exit("not shown on this machine: it takes root and systemd")
    folder = Path(tempfile.mkdtemp(dir="/srv"))
    groups = [group / f"soakd-{os.getpid()}" for group in hierarchies()]
    for group in groups:
        group.mkdir()

    def join() -> None:
        for group in groups:
            (group / "cgroup.procs").write_text(str(os.getpid()))

    apart = ["unshare", "--pid", "--fork", "--kill-child", "--mount", "--cgroup", "--ipc", "--uts", "--net"]
    words = [str(word) for word in (folder, CONFIGS, sys.executable, HERE, SYSTEMD)]
    try:
        subprocess.run([*apart, "bash", "-c", BOOT, "bash", *words], preexec_fn=join, check=False, timeout=DEADLINE_S)
        print((folder / "found").read_text() if (folder / "found").exists() else "systemd did not get so far")
    finally:
        shutil.rmtree(folder)
        for group in groups:
            for below in sorted(group.rglob("*/"), reverse=True):
                below.rmdir()
            group.rmdir()


def hierarchies() -> list[Path]:
    """Where this system's cgroups are: one tree (cgroups(7), version 2), or systemd's own beside it."""
    mounts = [line.split() for line in Path("/proc/mounts").read_text().splitlines()]
    return [Path(m[1]) for m in mounts if m[2] == "cgroup2" or (m[2] == "cgroup" and "name=systemd" in m[3])]


if __name__ == "__main__":
    if sys.argv[1:2] == ["look"]:
        look(Path(sys.argv[2]))
    else:
        main()
