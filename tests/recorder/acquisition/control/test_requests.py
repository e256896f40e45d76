"""What clients ask is read once, at the edge: whole and right, or refused in one line."""

from __future__ import annotations

import contextlib
import json
import math
import uuid
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.acquisition.control import exchanges
from recorder.acquisition.control.exchanges import RequestRefusedError
from recorder.acquisition.control.requests import (
    KeyedMark,
    MarkRevision,
    RequestError,
    ShuntRequest,
    Since,
    StopRequest,
    ZeroRequest,
    ZeroRevision,
)
from recorder.marks.mark import Mark
from recorder.run.checks.shunt_check import ShuntStep
from recorder.run.checks.zero_revision import ZeroEdit

ID = "0123456789abcdef" * 2
KEYED: dict[str, Any] = {"mark_id": ID, "kind": "station", "keyed_monotonic_ns": 5}


def sent(message: bytes) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(message)
    return data


def test_a_mark_arrives_as_it_was_sent() -> None:
    keyed = KeyedMark(
        mark_id=uuid.uuid4().hex,
        kind="grade",
        keyed_monotonic_ns=2**53 + 1,
        value="0.8",
        note="Ł",
        by="observer 1",
        extra={"grade_pct": 0.8, "sure": True},
    )
    assert KeyedMark.parse(sent(exchanges.MARK.message(keyed))) == keyed


def test_a_revision_arrives_as_it_was_sent() -> None:
    mark = Mark(mark_id=ID, kind="station", t_s=-2.5, value="Mill").revised(withdrawn=True)
    revision = MarkRevision(mark)
    assert MarkRevision.parse(sent(exchanges.REVISE.message(revision))) == revision


def test_the_other_requests_arrive_as_they_were_sent() -> None:
    zero = ZeroRequest(seconds=3.0, channel="pull", force="slack seen", by="observer 1")
    assert ZeroRequest.parse(sent(exchanges.ZERO.message(zero))) == zero
    revised = ZeroRevision(
        edit=ZeroEdit.WITHDRAW, channel="pull", t_s=1.0 / 3.0, reason="tight", by="observer 1"
    )
    assert ZeroRevision.parse(sent(exchanges.REVISE_ZERO.message(revised))) == revised
    with pytest.raises(RequestError, match="edit must be withdraw or restore or accept"):
        ZeroRevision.parse({"edit": "forget", "channel": "pull", "t_s": 0.0, "reason": "x"})
    shunt = ShuntRequest(channel="pull", step=ShuntStep.OPEN, seconds=2.0)
    assert ShuntRequest.parse(sent(exchanges.SHUNT.message(shunt))) == shunt
    assert Since.parse(sent(exchanges.MARKS.message(Since(7)))) == Since(7)
    assert StopRequest.parse(sent(exchanges.STOP.message(StopRequest("enough")))).reason == (
        "enough"
    )


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"keyed_monotonic_ns": 1.5}, "whole number"),
        ({"keyed_monotonic_ns": True}, "whole number"),
        ({"keyed_monotonic_ns": -1}, "whole number"),
        ({"mark_id": "x"}, "32 hexadecimal digits"),
        ({"mark_id": None}, "32 hexadecimal digits"),
        ({"value": 7}, "value must be text"),
        ({"note": "x" * 5000}, "note must be at most"),
        ({"note": "\ud800"}, "cannot be written"),
        ({"extra": [1]}, "extra must be a table"),
        ({"extra": {"a": [1]}}, "extra 'a'"),
        ({"extra": {"a": math.inf}}, "extra 'a'"),
    ],
)
def test_what_cannot_be_a_mark(fields: dict[str, Any], why: str) -> None:
    with pytest.raises(RequestError, match=why):
        KeyedMark.parse({**KEYED, **fields})


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"t_s": math.nan}, "t_s must be a number"),
        ({"t_s": 10**400}, "t_s must be a number"),
        ({"t_s": None}, "t_s must be a number"),
        ({"withdrawn": 1}, "true or false"),
        ({"revision": 0}, "revision must be a whole number from 1"),
        ({"mark_id": "0" * 31}, "32 hexadecimal digits"),
    ],
)
def test_what_cannot_be_a_revision(fields: dict[str, Any], why: str) -> None:
    mark = Mark(mark_id=ID, kind="station", t_s=1.0).revised().to_dict()
    with pytest.raises(RequestError, match=why):
        MarkRevision.parse({"mark": {**mark, **fields}})


_ANY = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)


@settings(deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(
            ["mark_id", "kind", "value", "note", "extra", "mark", "keyed_monotonic_ns", "by",
             "number", "seconds", "channel", "when", "step", "reason",
             "edit", "t_s", "force"]
        ),
        _ANY,
    )
)  # fmt: skip
def test_whatever_a_client_sends_is_read_or_refused(fields: dict[str, Any]) -> None:
    kinds = (
        KeyedMark, MarkRevision, Since, ZeroRequest, ZeroRevision, ShuntRequest, StopRequest,
    )  # fmt: skip
    for kind in kinds:
        with contextlib.suppress(RequestError):
            assert isinstance(kind.parse(fields), kind)


@pytest.mark.parametrize(
    "message",
    [b"", b"\xff", b"7", b"{}", b'{"ok": true}', b'{"ok": true, "answer": {"kind": 7}}',
     b'{"ok": false}', b"[" * 9000],
)  # fmt: skip
def test_what_is_no_answer_is_told_as_such(message: bytes) -> None:
    with pytest.raises(RequestRefusedError, match="not an answer to mark"):
        exchanges.MARK.answer_of(message)


def test_a_refusal_comes_with_its_reason() -> None:
    with pytest.raises(RequestRefusedError, match="in the future"):
        exchanges.MARK.answer_of(b'{"ok": false, "error": "in the future"}')
