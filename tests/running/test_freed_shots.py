"""The records of a shot are freed once it has been evaluated, and not only when the garbage is collected."""

from __future__ import annotations

import gc
import weakref

import pytest

from tests.running.test_evaluation_on_cores import MEASUREMENT, shot
from wavewright.recipe.load import parse_recipe
from wavewright.running.evaluation import Evaluation
from wavewright.running.shot import ExaminedShot


@pytest.mark.parametrize("derived", ["rail * 2", "rail / (rail - rail)"], ids=["derived", "not derivable"])
def test_of_an_evaluation_that_goes_on(derived: str) -> None:
    measurement = parse_recipe(MEASUREMENT.replace("rail * 2", derived), "all.yaml").measurements[0]
    evaluation = Evaluation(measurement)
    evaluation.add(ExaminedShot(shot(1), measurement))
    gc.collect()
    gc.disable()
    try:
        taken = shot(2)
        records = [weakref.ref(wave.codes) for wave in taken.waveforms.values()]
        evaluation.add(ExaminedShot(taken, measurement))
        del taken
        assert [record() for record in records] == [None] * len(records)
    finally:
        gc.enable()
    assert evaluation.results()
