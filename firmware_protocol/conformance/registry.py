"""The list of checks, filled by the modules that hold them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from firmware_protocol.conformance.bench import Bench

__all__ = ["CHECKS", "Check", "check"]


@dataclass(frozen=True, kw_only=True)
class Check:
    """One promise and the function that tries it; it raises CheckFailed or NotApplicable."""

    group: str
    name: str
    about: str
    run: Callable[[Bench], None]


CHECKS: list[Check] = []


def check(function: Callable[[Bench], None]) -> Callable[[Bench], None]:
    """Add a function to CHECKS under its own name; its docstring says what is promised."""
    about = (function.__doc__ or "").splitlines()[0]
    group = function.__module__.rpartition(".")[2]
    name = function.__name__.replace("_", "-")
    CHECKS.append(Check(group=group, name=name, about=about, run=function))
    return function
