"""A first signal is noted, a second ends the work at once."""

import signal

import pytest

from optimizer.base.console import was_interrupted
from optimizer.search.running.asked import StopRequest


def test_the_first_is_noted_and_the_second_ends_at_once():
    before = signal.getsignal(signal.SIGINT)
    with StopRequest() as outer, StopRequest() as asked:
        signal.raise_signal(signal.SIGINT)
        assert asked.wanted and outer.wanted
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before


def test_the_handler_before_is_told():
    told = []
    before = signal.signal(signal.SIGTERM, lambda number, frame: told.append(number))
    try:
        with StopRequest() as asked:
            signal.raise_signal(signal.SIGTERM)
        assert asked.wanted and told == [signal.SIGTERM]
    finally:
        signal.signal(signal.SIGTERM, before)


def test_what_is_ignored_stays_ignored():
    before = signal.signal(signal.SIGTERM, signal.SIG_IGN)
    try:
        with StopRequest() as asked:
            signal.raise_signal(signal.SIGTERM)
        assert not asked.wanted
    finally:
        signal.signal(signal.SIGTERM, before)


def test_an_interrupt_that_came_out_as_another_error_is_known():
    inner = KeyboardInterrupt()
    wrong = SystemError("returned a result with an exception set")
    wrong.__cause__ = inner
    assert was_interrupted(wrong) and was_interrupted(inner)
    assert not was_interrupted(SystemError("of its own"))
