"""What the agent costs its host: resident memory and its own CPU time for each poll.

Runs ``mendwatch run`` on a real recording's files below a root of our own and prints a table. Aims: at most 64 MiB
resident, at most 30 ms of its own CPU a poll of one source. The polls come as fast as the configuration allows (every
5 s), so that the CPU of everything else that the agent does is counted in.

    python tests/benchmarks/footprint.py [SECONDS]
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.stage import Agent, Hook, Host

CONFIG = """
[host]
root = "{root}"
state_dir = "{state}"
[polling]
idle = "5s"
rebuild = "5s"
[source.zfs]
enabled = false
[source.btrfs]
enabled = false
[source.dm-raid]
enabled = false
[[channel]]
name = "ops"
kind = "webhook"
url = "{hook}"
[[channel]]
name = "mail"
kind = "email"
server = "127.0.0.1"
port = 9
security = "none"
from = "store-1@example.org"
to = ["oncall@example.org"]
"""


def status_kib(pid: int, key: str) -> int:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(key + ":"):
            return int(line.split()[1])
    raise LookupError(key)


def cpu_s(pid: int) -> float:
    """User and system time of the agent itself; that of the tools it runs is counted elsewhere."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main(seconds: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        host = Host(place / "root", "md-6.12-collapse-A")
        host.show(host.poll_where("recovery"))
        hook = Hook()
        config = place / "mendwatch.toml"
        config.write_text(CONFIG.format(root=host.root, state=place / "state", hook=hook.url))
        agent = Agent(config, place / "log")
        agent.until_said("watching")
        time.sleep(5)
        pid = agent.process.pid
        before_s, began = cpu_s(pid), time.monotonic()
        print(f"{'seconds':>8} {'resident MiB':>13} {'peak MiB':>9} {'CPU ms a poll':>14}")
        while (passed := time.monotonic() - began) < seconds:
            host.advance()
            time.sleep(min(5.0, seconds - passed))
            passed = time.monotonic() - began
            polls = passed / 5
            resident, peak = status_kib(pid, "VmRSS") / 1024, status_kib(pid, "VmHWM") / 1024
            print(f"{passed:8.0f} {resident:13.1f} {peak:9.1f} {1000 * (cpu_s(pid) - before_s) / polls:14.1f}")
        agent.stop(signal.SIGTERM)
        hook.close()


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
