"""A bus in memory on a virtual clock, with modules that know nothing of the side that reads."""

from __future__ import annotations

from collections import deque

import pytest

from controller.clock import VirtualClock
from controller.module.model import ModuleReport
from controller.readback.can.frames import Frame
from controller.stand_in.module import DiagnosedModule, Wire


class MemoryBus:
    """A port: what is sent is heard by all nodes at once, what they send arrives when it leaves."""

    name = "bus in memory"
    complaint = ""

    def __init__(self, clock, nodes=()):
        self.clock = clock
        self.nodes = list(nodes)
        self.sent = []
        self.state = "closed"
        self.queue = deque()

    def open(self):
        self.state = "listening"

    def go_active(self):
        self.state = "active"

    def close(self):
        self.state = "closed"

    def send(self, frame):
        assert self.state == "active", "sent while only listening"
        self.sent.append(frame)
        for node in self.nodes:
            node.hear(Wire(frame.identifier, frame.extended, frame.data), self.clock.now_s())

    def receive(self, timeout_s):
        until_s = self.clock.now_s() + timeout_s
        while True:
            now_s = self.clock.now_s()
            for node in self.nodes:
                for wire in node.leaving(now_s):
                    self.queue.append(Frame(wire.identifier, wire.data, wire.extended))
            if self.queue:
                return self.queue.popleft()
            due = [at_s for node in self.nodes if (at_s := node.next_s()) is not None]
            if not due or min(due) > until_s:
                self.clock.sleep_s(until_s - now_s)
                return None
            self.clock.sleep_s(max(min(due) - now_s, 1e-9))


class Fakes:
    MemoryBus = MemoryBus

    @staticmethod
    def module(celsius=83.0, codes=(), **named):
        return DiagnosedModule(
            lambda: ModuleReport(celsius=celsius, volts=1.0, codes=codes), **named
        )

    @staticmethod
    def chatter(identifier=0x123, every_s=0.01):
        return Chatter(identifier, every_s)


class Chatter:
    """Another module that talks all the time."""

    def __init__(self, identifier, every_s):
        self.wire = Wire(identifier, identifier > 0x7FF, bytes(8))
        self.every_s = every_s
        self.due_s = 0.0

    def hear(self, wire, now_s):
        pass

    def next_s(self):
        return self.due_s

    def leaving(self, now_s):
        out = []
        while self.due_s <= now_s:
            out.append(self.wire)
            self.due_s += self.every_s
        return out


@pytest.fixture
def clock():
    return VirtualClock()


@pytest.fixture
def fakes():
    return Fakes
