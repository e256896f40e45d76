"""Sentences keep their quantities through joining, copying and pickling, and say them in either
edition."""

from __future__ import annotations

import copy
import json
import pickle

import pytest

from calibration.quantities.editions import Edition
from calibration.quantities.sentence import (
    Amount,
    Sentence,
    amount,
    between,
    in_edition,
    join,
    say,
    words_of,
)

# Factors: NIST SP 811 (2008), appendix B.8: 1 lbf = 4.448 222 N, 1 mile = 1.609 344 km,
# 1 short ton = 907.184 74 kg, 1 hp (550 ft·lbf/s) = 745.6999 W, 1 ft = 0.3048 m.
BOTH = [
    (amount(100.0, "km/h", 0), "100 km/h", "62.1 mph"),
    (amount(10.0, "m/s"), "10 m/s", "22.4 mph"),
    (amount(150.25, "kN", 2), "150.25 kN", "33 778 lbf"),
    (amount(0.012, "kN", digits=2), "0.012 kN", "2.7 lbf"),
    (amount(1500.0, "kW", 0), "1 500 kW", "2 012 hp"),
    (amount(936.0, "t", 0), "936 t", "1 032 short tons"),
    (amount(500.0, "m", 0), "500 m", "1 640 ft"),
    (amount(-5.0, "°C", 0), "−5 °C", "23 °F"),
    (amount(10.0, "K", 0), "10 K", "18 °F"),
    (between(15.0, 65.0, "km/h", 0), "15-65 km/h", "9.3-40.4 mph"),
    (between(-6.0, 0.8, "N/t", 1, joined=" ± "), "−6.0 ± 0.8 N/t", "−1.22 ± 0.16 lb/ton"),
    (amount(12.0, "counts", 0), "12 counts", "12 counts"),
]


@pytest.mark.parametrize(("told", "metric", "customary"), BOTH)
def test_a_quantity_is_said_in_either_edition(
    told: Amount, metric: str, customary: str
) -> None:
    sentence = say("found ", told, ".")
    thin = "\N{THIN SPACE}"
    assert str(sentence).replace(thin, " ") == f"found {metric}."
    said = in_edition(sentence, Edition.CUSTOMARY).replace(thin, " ")
    assert said == f"found {customary}."


def test_sentences_of_sentences_keep_their_quantities() -> None:
    inner = say("a wind of ", amount(10.0, "m/s"))
    outer = say("run: ", inner, ", and ", join(" and ", [inner, say("rain")]))
    assert outer == "run: a wind of 10 m/s, and a wind of 10 m/s and rain"
    assert in_edition(outer, Edition.CUSTOMARY) == (
        "run: a wind of 22.4 mph, and a wind of 22.4 mph and rain"
    )


def test_copies_keep_their_quantities_and_json_has_the_metric_words() -> None:
    sentence = say("at ", amount(100.0, "km/h", 0))
    for again in (copy.deepcopy(sentence), pickle.loads(pickle.dumps(sentence))):
        assert isinstance(again, Sentence)
        assert in_edition(again, Edition.CUSTOMARY) == "at 62.1 mph"
    assert json.loads(json.dumps({"note": sentence})) == {"note": "at 100 km/h"}
    words: str = sentence
    assert {words: 1}["at 100 km/h"] == 1


def test_what_is_not_finite_is_not_known() -> None:
    assert say(amount(float("nan"), "kN", 1)) == "not known kN"


def test_an_error_is_told_with_its_quantities() -> None:
    error = ValueError(say("speeds span ", amount(10.0, "km/h", 1)))
    assert in_edition(words_of(error), Edition.CUSTOMARY) == "speeds span 6.21 mph"
    assert words_of(KeyError()) == ""
    assert words_of(ValueError("no words")) == "no words"


def test_words_without_quantities_stay() -> None:
    assert in_edition("100 km/h as keyed", Edition.CUSTOMARY) == "100 km/h as keyed"
