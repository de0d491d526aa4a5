"""Time that moves only when everybody waits."""

from __future__ import annotations

from polewright_sim.simulated_clock import SimulatedClock


def test_a_sleep_too_short_to_count_passes_time_all_the_same() -> None:
    """What is left of a wait may be less than a float can add to the time: the wait still ends."""
    clock = SimulatedClock(1795210200.0)
    clock.sleep(123.8000000000002)
    began_s = clock.monotonic_s()
    looks = 0
    while (elapsed_s := clock.monotonic_s() - began_s) < 6.0 and looks < 100:
        clock.sleep(min(0.2, 6.0 - elapsed_s))
        looks += 1
    before_s = clock.monotonic_s()
    clock.sleep(0.0)
    clock.sleep(1e-14)

    assert looks < 40
    assert clock.monotonic_s() > before_s


def order_of(shake: int | None) -> list[tuple[str, float]]:
    """Who went on when, of three threads that sleep and wake each other."""
    clock = SimulatedClock(1795210200.0, shake)
    seen: list[tuple[str, float]] = []
    bell = clock.threads.signal()

    def ring() -> None:
        clock.sleep(1.0)
        bell.set()
        for _ in range(5):
            clock.sleep(0.01)
            seen.append(("ring", clock.monotonic_s()))

    def hear() -> None:
        bell.wait(10.0)
        for _ in range(5):
            seen.append(("hear", clock.monotonic_s()))
            clock.sleep(0.01)

    clock.threads.start(ring, "ring")
    clock.threads.start(hear, "hear")
    clock.sleep(20.0)
    clock.close()
    return seen


def test_shaken_threads_are_late_by_their_seed() -> None:
    """The same seed the same way, another seed another; nobody goes on before their time."""
    plain, shaken, again, other = order_of(None), order_of(3), order_of(3), order_of(4)

    assert shaken == again
    assert len({tuple(plain), tuple(shaken), tuple(other)}) == 3
    for seen in (shaken, other):
        assert sorted(name for name, _ in seen) == sorted(name for name, _ in plain)
        assert min(at_s for _, at_s in seen) >= 1.0
        assert [at_s for _, at_s in seen] == sorted(at_s for _, at_s in seen)
