"""The virtual clock: waiting costs nothing and is exact."""

from __future__ import annotations

from datetime import timedelta

from controller.clock import RealClock, VirtualClock


def test_virtual_time_moves_by_what_is_slept_and_never_back() -> None:
    clock = VirtualClock()
    start = clock.utc()
    clock.sleep_s(3600.0)
    clock.sleep_s(-5.0)
    assert clock.now_s() == 3600.0
    assert clock.utc() - start == timedelta(hours=1)


def test_real_time_is_monotonic_and_aware_of_its_zone() -> None:
    clock = RealClock()
    before = clock.now_s()
    clock.sleep_s(0.0)
    assert clock.now_s() >= before
    assert clock.utc().utcoffset() == timedelta(0)
