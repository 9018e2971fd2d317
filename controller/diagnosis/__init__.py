"""Which electrical fault explains the deviations between what was put in and what was reported.

Knows: the public names of the parts below.
Must not know: files (but for `readings_csv`), terminals, how readings are taken.
"""

from controller.diagnosis.decide import diagnose
from controller.diagnosis.explain import Words, explain, sentence
from controller.diagnosis.hypotheses import InputCircuit
from controller.diagnosis.readings import Readings, Reporting, readings_of
from controller.diagnosis.readings_csv import readings_from_csv
from controller.diagnosis.result import Diagnosis, Explanation, NextStep

__all__ = [
    "Diagnosis",
    "Explanation",
    "InputCircuit",
    "NextStep",
    "Readings",
    "Reporting",
    "Words",
    "diagnose",
    "explain",
    "readings_from_csv",
    "readings_of",
    "sentence",
]
