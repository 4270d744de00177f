"""Tasks of one search as trials of an Optuna study, so that several machines share them.

A trial that runs is a claim on its task; a finished one carries the task's result. Who claims a task that
another one claimed a moment before yields to the lower trial number. A claim whose holder gives no sign of life
any more fails, and its task is free again.
"""

from __future__ import annotations

import base64
import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import optuna
from optuna.storages import BaseStorage
from optuna.trial import FrozenTrial, TrialState, create_trial

from optimizer.base.problems import Stopped
from optimizer.search.running.storage import GRACE_S, HEARTBEAT_S, Gone, losses

Found = TypeVar("Found")

# A storage that is away for less than this, as a server that starts anew, costs nothing but the wait [s].
PATIENCE_S = 20.0

TASK, HOLDER, BEAT, RESULT = "task", "holder", "beat", "result"


class Board:
    """The tasks of one search in a shared storage.

    Parameters
    ----------
    storage : BaseStorage
    key : str
        See checkpoint.run_key: who has other inputs or another version does not meet here.
    holder : str
        Who claims, for people who look.
    heartbeat_s, grace_s : float
        Interval of the signs of life, and how long a silence ends a claim [s].
    url : str
        What the storage is called in messages; its password is not shown.

    Raises
    ------
    Stopped
        By every method, when the storage has been away for PATIENCE_S.
    """

    def __init__(
        self, storage: BaseStorage, *, key: str, holder: str = "", url: str = "shared storage",
        heartbeat_s: float = HEARTBEAT_S, grace_s: float = GRACE_S,
    ) -> None:  # fmt: skip
        self._storage = storage
        self._holder = holder or socket.gethostname()
        self._grace_s = grace_s
        self._url = url
        name = f"cellstow exact {key[:32]}"
        self._study = self._reach(lambda: optuna.create_study(storage=storage, study_name=name, load_if_exists=True))
        self._claims: dict[int, int] = {}
        self._taken: set[int] = set()
        self._seen: dict[int, tuple[Any, float]] = {}
        self._over = threading.Event()
        self._pulse = threading.Thread(target=self._live, args=(heartbeat_s,), daemon=True)
        self._pulse.start()

    def claim(self, order: Sequence[int]) -> int | None:
        """The first task that nobody has in work or done; None when there is none at the moment.

        Parameters
        ----------
        order : sequence of int
            Tasks, those wanted first in front.
        """
        return self._reach(lambda: self._claim(order))

    def _reach(self, act: Callable[[], Found]) -> Found:
        """Do something with the storage; again and again while it is away, but not for ever."""
        end = time.monotonic() + PATIENCE_S
        while True:
            try:
                with losses(self._url):
                    return act()
            except Stopped as lost:
                if isinstance(lost, Gone) or time.monotonic() > end:
                    raise
                time.sleep(min(1.0, PATIENCE_S / 5))

    def _claim(self, order: Sequence[int]) -> int | None:
        self._bury_the_dead()
        state = self._states()
        for task in order:
            if state.get(task) in (TrialState.COMPLETE, TrialState.RUNNING) or task in self._claims:
                continue
            number = self._claimed(task)
            if number is not None:
                self._claims[task] = number
                return task
        return None

    def finish(self, task: int, content: bytes) -> None:
        """Hand in the result of a task; of one that is not claimed here its holder does."""
        trial = self._claims.pop(task, None)
        self._taken.add(task)
        if trial is None:
            return
        text = base64.b64encode(content).decode()

        def hand_in() -> None:
            # A claim that was given up for dead while it was in work has been taken by another: its result, equal
            # to this one, will come.
            with contextlib.suppress(optuna.exceptions.UpdateFinishedTrialError):
                self._storage.set_trial_user_attr(trial, RESULT, text)
                self._storage.set_trial_state_values(trial, TrialState.COMPLETE, [0.0])

        self._reach(hand_in)

    def release(self, *tasks: int) -> None:
        """Give up claims, so that others need not wait."""
        for task in tasks:
            with contextlib.suppress(optuna.exceptions.UpdateFinishedTrialError):
                self._storage.set_trial_state_values(self._claims.pop(task), TrialState.FAIL)

    def close(self) -> None:
        """Release every claim and stop the signs of life."""
        self._over.set()
        self._pulse.join()
        # Without the storage they end by their silence.
        with contextlib.suppress(Stopped), losses(self._url):
            self.release(*list(self._claims))

    def news(self) -> Iterator[tuple[int, bytes]]:
        """Results that others handed in since the last call."""
        for trial in self._reach(lambda: self._trials(TrialState.COMPLETE)):
            task = int(trial.user_attrs[TASK])
            if task not in self._taken:
                self._taken.add(task)
                yield task, base64.b64decode(trial.user_attrs[RESULT])

    def _trials(self, *states: TrialState) -> list[FrozenTrial]:
        return self._study.get_trials(deepcopy=False, states=states or None)

    def _states(self) -> dict[int, TrialState]:
        """State of each task that was ever claimed: done if any claim is, else in work if any is."""
        rank = {TrialState.FAIL: 0, TrialState.WAITING: 0, TrialState.RUNNING: 1, TrialState.COMPLETE: 2}
        out: dict[int, TrialState] = {}
        for trial in self._trials():
            task = int(trial.user_attrs[TASK])
            if task not in out or rank[trial.state] > rank[out[task]]:
                out[task] = trial.state
        return out

    def _claimed(self, task: int) -> int | None:
        """Claim a task; None when another one was faster."""
        waiting = [t for t in self._trials(TrialState.WAITING) if t.user_attrs[TASK] == task]
        for trial in waiting:
            with contextlib.suppress(optuna.exceptions.UpdateFinishedTrialError):
                if self._storage.set_trial_state_values(trial._trial_id, TrialState.RUNNING):
                    return trial._trial_id
        attrs = {TASK: task, HOLDER: self._holder, BEAT: 0}
        template = create_trial(state=TrialState.RUNNING, user_attrs=attrs)
        mine = self._storage.create_new_trial(self._study._study_id, template_trial=template)
        number = self._storage.get_trial(mine).number
        rivals = [
            t for t in self._trials(TrialState.RUNNING, TrialState.COMPLETE)
            if t.user_attrs[TASK] == task and t.number < number
        ]  # fmt: skip
        if not rivals:
            return mine
        self._storage.set_trial_state_values(mine, TrialState.FAIL)
        return None

    def _live(self, interval_s: float) -> None:
        """Give a sign of life for every claim, again and again."""
        beat = 0
        while not self._over.wait(interval_s):
            beat += 1
            for trial in list(self._claims.values()):
                # A storage that is away for a while costs at most this claim; the search goes on.
                with contextlib.suppress(Exception):
                    self._storage.set_trial_user_attr(trial, BEAT, beat)

    def _bury_the_dead(self) -> None:
        """Fail claims whose holder has been silent too long, by our own clock: machines' clocks differ."""
        now = time.monotonic()
        for trial in self._trials(TrialState.RUNNING):
            beat = trial.user_attrs[BEAT]
            if self._seen.get(trial._trial_id, (None, 0.0))[0] != beat:
                self._seen[trial._trial_id] = beat, now
            elif now - self._seen[trial._trial_id][1] > self._grace_s and trial._trial_id not in self._claims.values():
                with contextlib.suppress(optuna.exceptions.UpdateFinishedTrialError):
                    self._storage.set_trial_state_values(trial._trial_id, TrialState.FAIL)
