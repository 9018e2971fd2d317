"""The words of a diagnosis: every kind has them, and nothing in them is left unfilled."""

from __future__ import annotations

import numpy as np
import pytest

from controller.diagnosis import diagnose, explain, sentence
from controller.diagnosis.hypotheses import hypotheses_for, response_of
from controller.diagnosis.intermittent import INTERMITTENT
from controller.diagnosis.unknown_curve import UNKNOWN_CURVE
from controller.diagnosis.wording import MEANINGS, NAMES, PLACES, UNITS


def test_every_kind_and_every_parameter_that_can_be_found_has_words(bench):
    response = response_of(bench.CURVE)
    found = hypotheses_for(
        bench.CURVE.ohms(np.arange(-20.0, 120, 10)),
        response,
        candidates=[("another", response)],
        circuit=bench.CIRCUIT,
    )
    parts = set().union(*(one.parts for one in found)) | {"healthy", INTERMITTENT, UNKNOWN_CURVE}
    assert len(parts) == 11
    for words in (NAMES, MEANINGS, PLACES):
        assert parts == set(words)
    names = {p.name for one in found for p in one.parameters}
    names |= {one.located[0] for one in found if one.located}
    assert names | {"share"} == set(UNITS)


@pytest.mark.parametrize("index", range(14))
def test_every_fault_reads_as_sentences(bench, index):
    fault = bench.CLEAR[index]
    readings = bench.simulate(fault, np.random.default_rng(50 + index))
    found = diagnose(readings, bench.CURVE, candidates=bench.CANDIDATES, circuit=bench.CIRCUIT)
    text = explain(found).as_text()
    assert "{" not in text
    assert "None" not in text
    assert "nan" not in text
    assert text.splitlines()[0] == sentence(found)
    assert sentence(found).endswith(".")
    assert "Where to look" in text
    assert explain(found).where_to_look


def test_the_corroded_connector_reads_right(bench):
    fault = bench.Injected(kind="series-resistance", label="", series_ohms=150.0)
    found = diagnose(bench.simulate(fault, np.random.default_rng(1)), bench.CURVE)
    words = explain(found)
    assert words.headline.startswith("Extra resistance in series: 1")
    assert "connector pins at the sensor" in words.where_to_look[0]
    assert words.next_step is None
