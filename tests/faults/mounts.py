"""Small disks that are full or can't be written to, for tests that run as root."""

import contextlib
import os
import subprocess
from pathlib import Path

import pytest


def _mount(*args):
    done = subprocess.run(["mount", *map(str, args)], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"nothing can be mounted here: {done.stderr.strip()}")


@contextlib.contextmanager
def small_disk(place: Path, *, kib: int):
    """A disk of its own with so much room; skipped where nothing can be mounted."""
    if not hasattr(os, "getuid") or os.getuid() != 0:
        pytest.skip("only root can mount a disk")
    place.mkdir(parents=True, exist_ok=True)
    _mount("-t", "tmpfs", "-o", f"size={kib}k", "tmpfs", place)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


@contextlib.contextmanager
def read_only(place: Path, *, source: Path | None = None):
    """A folder as a disk that can't be written to, with what is in `source`."""
    with small_disk(place, kib=20_000):
        if source is not None:
            subprocess.run(["cp", "-a", f"{source}/.", str(place)], check=True)
        _mount("-o", "remount,ro", place)
        yield place


def free_kib(place: Path) -> int:
    room = os.statvfs(place)
    return room.f_bavail * room.f_frsize // 1024


def fill(place: Path, *, leave_kib: int = 0) -> Path:
    """Fill a disk up but for so much; the file that does it."""
    ballast = place / "ballast"
    with ballast.open("wb") as stream, contextlib.suppress(OSError):
        stream.write(bytes(max(free_kib(place) - leave_kib, 0) * 1024))
    return ballast
