"""What the end of a run says with the exit status of the program.

Knows: endings, verdicts, exit codes.
Must not know: who asks.
"""

from __future__ import annotations

from controller.errors import ExitCode
from controller.measurement.model import Verdict
from controller.run.model import Ending, RunSummary

__all__ = ["exit_status", "exit_status_of_verdict"]

_OF_ENDING = {Ending.FAULT: ExitCode.LINK_FAULT, Ending.STOPPED: ExitCode.INTERRUPTED}
_OF_VERDICT = {
    Verdict.PASS: ExitCode.PASS,
    Verdict.FAIL: ExitCode.FAIL,
    Verdict.UNDECIDED: ExitCode.UNDECIDED,
}


def exit_status(summary: RunSummary, *, judged: bool = True) -> ExitCode:
    """Return the exit status for a run's end: a fault or a stop first, then the verdict.

    With `judged` False the run had nothing to judge, and a complete one is a success.
    """
    if summary.ended in _OF_ENDING:
        return _OF_ENDING[summary.ended]
    return exit_status_of_verdict(summary.verdict) if judged else ExitCode.PASS


def exit_status_of_verdict(verdict: Verdict) -> ExitCode:
    """Return the exit status for a verdict."""
    return _OF_VERDICT[verdict]
