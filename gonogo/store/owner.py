"""Who holds a lease or a claim: a name no other process has, and whether the process behind a name is known to be dead.

A process that dies leaves its leases behind. Elsewhere they must run out; on the same machine the successor can look:
the process table says at once. It is asked only where it can be trusted: same boot, same process namespace (containers
on one host do not see each other), and the same start time (numbers of processes are given out again).
"""

from __future__ import annotations

import os
import socket
import uuid
from collections.abc import Callable
from pathlib import Path

IsDead = Callable[[str], bool]

_PROC = Path("/proc")


def own_name(mark: str = "") -> str:
    """Return a name for this process that no other process has. mark: begins its last part."""
    pid = os.getpid()
    return f"{socket.gethostname()}:{_view() or '-'}:{pid}:{_started(pid) or '-'}:{mark}{uuid.uuid4().hex[:8]}"


def is_dead(name: str) -> bool:
    """Return whether the process behind a name is dead for certain. False where that cannot be known from here."""
    parts = name.rsplit(":", 4)
    view = _view()
    if len(parts) != 5 or view is None or parts[1] != view or parts[0] != socket.gethostname():
        return False
    if not parts[2].isdecimal() or parts[3] == "-":
        return False
    return _started(int(parts[2])) != parts[3]


def is_at_work(name: str) -> bool:
    """Return whether the process behind a name is alive on this machine. False where that cannot be known from here."""
    parts = name.rsplit(":", 4)
    is_from_here = len(parts) == 5 and parts[0] == socket.gethostname() and parts[1] == _view()
    return is_from_here and parts[2].isdecimal() and parts[3] != "-" and _started(int(parts[2])) == parts[3]


def _view() -> str | None:
    """What this process sees as the process table: boot and namespace. None where the system does not say."""
    try:
        boot = (_PROC / "sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        namespace = os.readlink(_PROC / "self/ns/pid")
    except OSError:
        return None
    return f"{boot[:8]}.{''.join(c for c in namespace if c.isdecimal())}"


def _started(pid: int) -> str | None:
    """When a process started, in ticks since boot; None where there is none, or only its remains."""
    try:
        text = (_PROC / str(pid) / "stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    # The name of the program stands in brackets and may hold anything, so the fields are counted from its end.
    fields = text.rpartition(")")[2].split()
    is_remains = fields[0] in ("Z", "X")
    return None if is_remains else fields[19]
