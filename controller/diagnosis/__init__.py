"""Which electrical fault explains the deviations between what was put in and what was reported."""

from controller.diagnosis.admissible import with_tolerance
from controller.diagnosis.decide import diagnose
from controller.diagnosis.explain import Words, explain, sentence
from controller.diagnosis.hypotheses import InputCircuit
from controller.diagnosis.readings import Readings, Reporting, readings_of
from controller.diagnosis.readings_csv import readings_from_csv
from controller.diagnosis.result import Diagnosis, Explanation, Misfit, NextStep, Reason

__all__ = [
    "Diagnosis",
    "Explanation",
    "InputCircuit",
    "Misfit",
    "NextStep",
    "Readings",
    "Reason",
    "Reporting",
    "Words",
    "diagnose",
    "explain",
    "readings_from_csv",
    "readings_of",
    "sentence",
    "with_tolerance",
]
