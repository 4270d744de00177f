"""Requests to stop. A search stops between two pieces of work, not at the moment the signal arrives."""

from __future__ import annotations

import contextlib
import signal
import threading
from types import FrameType, TracebackType
from typing import Any

# Ctrl-C, and those that console.heed_signals lets do the same.
SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class StopRequest:
    """While it is entered, a first signal only sets `wanted`; a second one ends the work at once.

    A KeyboardInterrupt inside compiled code or a destructor can be lost, or come out as another error.
    Signals that are ignored or end the process stay as they are; outside the main thread nothing changes.
    """

    def __init__(self) -> None:
        self.wanted = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> StopRequest:
        if threading.current_thread() is threading.main_thread():
            for name in SIGNALS:
                number = getattr(signal, name, None)
                # SIG_DFL and SIG_IGN can't be called.
                if number is not None and callable(before := signal.getsignal(number)):
                    self._before[number] = before
                    signal.signal(number, self._note)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, before in self._before.items():
            signal.signal(number, before)

    def _note(self, number: int, frame: FrameType | None) -> None:
        again, self.wanted = self.wanted, True
        # The handler before this one is told, too: it knows what the process is to say of its end.
        with contextlib.suppress(*(() if again else (KeyboardInterrupt,))):
            self._before[number](number, frame)
