"""The fault layer of a served rig: loads scenarios, decides call by call, spoils frames.

Faults are looked at with every Alpaca call and every frame, so one that is due begins with the
next of them, not by a timer of its own.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from functools import partial

import numpy as np

from polewright_sim.faults.fault_case import Case, Effect, Proceed
from polewright_sim.faults.fault_rig import RIG_EFFECTS
from polewright_sim.faults.fault_wire import WIRE_EFFECTS
from polewright_sim.rig import SimulatedRig
from polewright_sim.scenario import Fault, Scenario
from polewright_sim.sky.disturbance import CLEAR, Disturbance
from polewright_wire import Call, Device, Reply

EFFECTS: Mapping[str, Effect] = {**WIRE_EFFECTS, **RIG_EFFECTS}


class FaultLayer:
    """Stands between every call and its answer, and between the sky and the camera.

    Args:
        rig: what goes wrong.
        devices: by type name.
        answer: answers a call without faults.
    """

    def __init__(
        self,
        rig: SimulatedRig,
        devices: Mapping[str, Device],
        answer: Callable[[Call], Reply],
        seed: int = 0,
    ) -> None:
        self._rig, self._devices, self._answer = rig, devices, answer
        self._rng = np.random.default_rng(seed)
        self._cases: list[Case] = []
        self._next = 1
        self._lock = threading.RLock()
        self._before = rig.disturbance_at
        rig.disturbance_at = self._disturbance

    # Loading

    def load(self, scenario: Scenario) -> list[int]:
        """Add the faults of a scenario, counted in time from now; return their numbers."""
        with self._lock:
            self._rng = np.random.default_rng(scenario.seed)
            return [self.add(fault) for fault in scenario.fault]

    def add(self, fault: Fault) -> int:
        """Add a fault and return its number."""
        with self._lock:
            case = Case(
                number=self._next,
                fault=fault,
                rig=self._rig,
                devices=self._devices,
                answer=self._answer,
                rng=np.random.default_rng(self._rng.integers(2**32)),
                loaded_s=self._rig.clock.utc_s(),
            )
            self._next += 1
            self._cases.append(case)
            self._keep_time()
            return case.number

    def remove(self, number: int) -> bool:
        """End a fault; return whether there was one of that number."""
        with self._lock:
            for case in self._cases:
                if case.number == number:
                    self._end(case)
                    self._cases.remove(case)
                    return True
        return False

    def clear(self) -> None:
        """End all faults."""
        with self._lock:
            # Last in, first out: what one replaced is what the one before had put there.
            for case in reversed(self._cases):
                self._end(case)
            self._cases.clear()

    def report(self) -> list[dict[str, object]]:
        """Return every fault and how often it struck."""
        with self._lock:
            self._keep_time()
            return [case.report() for case in self._cases]

    # Deciding

    def intercept(self, call: Call, proceed: Proceed) -> Reply:
        """Answer a call, through all faults that take it (an `Interceptor`)."""
        answer = proceed
        with self._lock:
            self._keep_time()
            for case in self._cases:
                wire = EFFECTS[case.fault.kind].wire
                if self._strikes(case, call) and wire is not None:
                    answer = partial(wire, case, call, answer)
        return answer()

    def _keep_time(self) -> None:
        """Begin and end what is due by the clock."""
        now = self._rig.clock.utc_s()
        for case in self._cases:
            fault = case.fault
            due = case.began_s is None and not case.over and fault.at_call is None
            if due and now >= case.loaded_s + fault.after_s:
                self._begin(case, case.loaded_s + fault.after_s)
            ends_s = case.ends_s()
            if case.on and ends_s is not None and now >= ends_s:
                self._end(case)

    def _begin(self, case: Case, at_s: float) -> None:
        case.began_s = at_s
        effect = EFFECTS[case.fault.kind]
        if effect.wire is None and case.rng.random() >= case.fault.probability:
            case.over = True
            return
        if effect.begin is not None:
            effect.begin(case)

    def _end(self, case: Case) -> None:
        effect = EFFECTS[case.fault.kind]
        if case.on and effect.end is not None:
            effect.end(case)
        case.over = True
        case.removed.set()

    def _strikes(self, case: Case, call: Call) -> bool:
        """Decide, and keep count, whether a fault changes this call."""
        fault, now = case.fault, self._rig.clock.utc_s()
        if case.over or now < case.loaded_s + fault.after_s:
            return False
        if not fault.takes(call.device_type, call.method, call.member):
            return False
        case.seen += 1
        if case.began_s is None and case.seen == (fault.at_call or 1):
            self._begin(case, now)
        effect = EFFECTS[fault.kind]
        if not case.on or effect.wire is None:
            return False
        once = fault.at_call is not None and fault.duration_s is None
        most = fault.calls if fault.calls is not None else 1 if once else None
        if most is not None and case.hits >= most:
            self._end(case)
            return False
        if case.rng.random() >= fault.probability:
            return False
        case.hits += 1
        return True

    def _disturbance(self, utc_mid_s: float, length_s: float) -> Disturbance:
        spoil = self._before(utc_mid_s, length_s) if self._before else None
        spoil = spoil or CLEAR
        with self._lock:
            self._keep_time()
            for case in self._cases:
                effect = EFFECTS[case.fault.kind]
                if effect.spoil is None or case.began_s is None:
                    continue
                if case.over and case.ends_s() is None:
                    continue
                ends_s = case.ends_s()
                if case.began_s <= utc_mid_s and (ends_s is None or utc_mid_s < ends_s):
                    case.hits += 1
                    spoil = effect.spoil(case, spoil, utc_mid_s)
        return spoil
