"""What somebody could change in a sealed run, which check finds it, and what that says."""

from __future__ import annotations

import json
from collections.abc import Callable

import h5py
import numpy as np

from calibration.certificates.certificate import document_digest
from recorder.run_file.proof.parts.proof import Check
from tests.recorder.run_file.proof.honest_run import CELL_BLOCK, retext

__all__ = ["HARM", "a_coefficient", "a_value"]


def a_value(file: h5py.File) -> None:
    file["devices/cell/pull"][7000] += 0.01


def _a_distance(file: h5py.File) -> None:
    file["devices/wheel/distance"][500] += 1e-4


def _a_speed(file: h5py.File) -> None:
    file["devices/wheel/speed"][500] *= 1.0001


def _a_value_taken_away(file: h5py.File) -> None:
    file["devices/cell/pull"][7000] = np.nan


def _a_flag(file: h5py.File) -> None:
    file["devices/cell/pull_flags"][7000] |= 1


def _a_count(file: h5py.File) -> None:
    file["devices/cell/raw_ch0"][7000] += 100


def _a_gap_less(file: h5py.File) -> None:
    gaps = json.loads(file["gaps/json"][0])
    retext(file, "gaps/json", json.dumps([g for g in gaps if g["device"] != "cell"]))
    table = file["gaps/table"]
    kept = [row for row in table[:] if row["device"] != b"cell"]
    table.resize((len(kept),))
    table[:] = kept


def _fewer_lost(file: h5py.File) -> None:
    gaps = json.loads(file["gaps/json"][0])
    for gap in gaps:
        if gap["device"] == "cell":
            gap["lost_records"] = 20
    retext(file, "gaps/json", json.dumps(gaps))
    rows = file["gaps/table"][:]
    rows["lost_records"][rows["device"] == b"cell"] = 20
    file["gaps/table"][:] = rows


def _a_gap_less_in_the_text_alone(file: h5py.File) -> None:
    gaps = json.loads(file["gaps/json"][0])
    retext(file, "gaps/json", json.dumps([g for g in gaps if g["device"] != "cell"]))


def _one_tick(file: h5py.File) -> None:
    file["devices/cell/tick"][9000] += 3


def _an_overview(file: h5py.File) -> None:
    rows = file["overview/pull/level_0"][:]
    rows["maximum"][100] += 1.0
    file["overview/pull/level_0"][:] = rows


def _an_event_in_the_text_alone(file: h5py.File) -> None:
    events = json.loads(file["events/json"][0])
    for event in events:
        if event["kind"] == "health":
            event["data"]["devices"]["cell"]["hz"] = 1.0
    retext(file, "events/json", json.dumps(events))


def _a_time_of_the_receiver(file: h5py.File) -> None:
    file["devices/gnss/raw_utc_ns"][5] += 10**9


def _a_date_of_the_receiver(file: h5py.File) -> None:
    file["devices/gnss/raw_utc_ns"][:] += 7 * 86_400 * 10**9


def _a_sentence(file: h5py.File) -> None:
    raw = file["devices/gnss/raw_sentence"][5]
    file["devices/gnss/raw_sentence"][5] = raw.replace(b"19.4", b"29.4")


def _a_port(file: h5py.File) -> None:
    bare = json.loads(file["header/run"][0])
    bare["devices"][0]["port"] = "elsewhere"
    retext(file, "header/run", json.dumps(bare))


def _records_cut_out(file: h5py.File) -> None:
    """A second of the cell, from every column and from its table of blocks."""
    low, many = 6000, 40 * CELL_BLOCK
    for column in file["devices/cell"].values():
        rows = column[:]
        column.resize((len(rows) - many,))
        column[:] = np.delete(rows, slice(low, low + many))
    blocks = file["blocks/cell"]
    rows = np.delete(blocks[:], slice(low // CELL_BLOCK, low // CELL_BLOCK + 40))
    rows["first_record"] = np.cumsum(rows["n"]) - rows["n"]
    rows["sequence"] = np.arange(len(rows))
    blocks.resize((len(rows),))
    blocks[:] = rows


def _the_end_cut_off(file: h5py.File) -> None:
    many = 80 * CELL_BLOCK
    for column in file["devices/cell"].values():
        column.resize((len(column) - many,))
    blocks = file["blocks/cell"]
    blocks.resize((len(blocks) - 80,))


def _times(file: h5py.File) -> None:
    file["devices/cell/time_s"][:] += 0.01


def _one_time(file: h5py.File) -> None:
    file["devices/cell/time_s"][9000] += 1e-4


def _a_tie(file: h5py.File) -> None:
    ties = json.loads(file["clock/ticks"][0])
    ties["cell"][0]["u_s"] /= 10.0
    retext(file, "clock/ticks", json.dumps(ties))


def _ties_as_given(file: h5py.File) -> None:
    """As of an imported table, whose times nobody can tie again."""
    ties = json.loads(file["clock/ticks"][0])
    for tie in ties["cell"]:
        tie["source"] = "given"
    retext(file, "clock/ticks", json.dumps(ties))
    file["devices/cell/time_s"][:] *= 1.001


def _the_duration(file: h5py.File) -> None:
    file.attrs["duration_s"] = np.float64(13.0)


def _utc(file: h5py.File) -> None:
    rows = file["clock/utc"][:]
    rows["utc_ns"] += 86_400 * 10**9
    file["clock/utc"][:] = rows


def _u_of_utc(file: h5py.File) -> None:
    rows = file["clock/utc"][:]
    rows["u_s"] /= 100.0
    file["clock/utc"][:] = rows


def _a_revision(file: h5py.File) -> None:
    marks = json.loads(file["marks/json"][0])
    marks[2]["revision"] = 2
    retext(file, "marks/json", json.dumps(marks))


def _a_mark_moved(file: h5py.File) -> None:
    marks = json.loads(file["marks/json"][0])
    marks[0]["t_s"] = 1.5
    retext(file, "marks/json", json.dumps(marks))


def _first_of_a_mark_gone(file: h5py.File) -> None:
    marks = json.loads(file["marks/json"][0])
    retext(file, "marks/json", json.dumps(marks[1:]))
    table = file["marks/table"]
    rows = table[1:]
    table.resize((len(rows),))
    table[:] = rows


def _entered_before(file: h5py.File) -> None:
    marks = json.loads(file["marks/json"][0])
    rows = file["marks/table"][:]
    rows["entered_utc_ns"][0] = marks[0]["entered_utc_ns"] = marks[0]["entered_utc_ns"] - 10**11
    retext(file, "marks/json", json.dumps(marks))
    file["marks/table"][:] = rows


def a_coefficient(file: h5py.File) -> None:
    """By hand: the certificate's own digest stays as it was."""
    (name,) = [n for n in file["certificates"] if "cell" in n]
    document = json.loads(file["certificates"][name][0])
    document["curve"]["tension"][1] *= 1.01
    retext(file, f"certificates/{name}", json.dumps(document))


def _a_coefficient_digested(file: h5py.File) -> None:
    """By somebody who makes the certificate's digest anew, everywhere."""
    (name,) = [n for n in file["certificates"] if "cell" in n]
    document = json.loads(file["certificates"][name][0])
    document["curve"]["tension"][1] *= 1.01
    document["digest"] = document_digest(document)
    retext(file, f"certificates/{name}", json.dumps(document))
    file["devices/cell/pull"].attrs["certificate_digest"] = document["digest"]


def _no_port(file: h5py.File) -> None:
    del file["devices/cell"].attrs["port"]


def _no_digest_of_a_channel(file: h5py.File) -> None:
    del file["devices/cell/pull"].attrs["certificate_digest"]


HARM: list[tuple[Callable[[h5py.File], None], set[tuple[Check, str]], str]] = [
    (a_value, {(Check.VALUES, "pull")}, "record 7,000 "),
    (_a_distance, {(Check.VALUES, "distance")}, "record 500 "),
    (_a_speed, {(Check.VALUES, "speed")}, "record 500 "),
    (_a_value_taken_away, {(Check.VALUES, "pull")}, "stored as nan kN"),
    (_a_flag, {(Check.VALUES, "pull")}, "record 7,000 is stored with saturated"),
    (_a_count, {(Check.VALUES, "pull")}, "record 7,000 "),
    (
        _a_gap_less,
        {(Check.GAPS, "cell"), (Check.RECORDS, "cell")},
        "before record 3,000: 150 records missing by its ticks, and no gap tells of it",
    ),
    (
        _a_gap_less_in_the_text_alone,
        {
            (Check.GAPS, "cell"),
            (Check.RECORDS, "cell"),
            (Check.EVENTS, ""),
        },
        "checksum 150 lost before record 3000 was written during the recording",
    ),
    (
        _one_tick,
        {(Check.GAPS, "cell"), (Check.TICKS, "cell")},
        "its tick is +3 off the even steps",
    ),
    (_an_overview, {(Check.OVERVIEWS, "pull")}, "the maximum at "),
    (_an_event_in_the_text_alone, {(Check.EVENTS, "")}, "is not in the seal's"),
    (
        _a_time_of_the_receiver,
        # The pulses carry UTC over one sentence that is wrong.
        {(Check.SENTENCES, "gnss")},
        "record 5 has a time of day 1 s from the one in its sentence",
    ),
    (
        _a_date_of_the_receiver,
        {(Check.SENTENCES, "gnss"), (Check.UTC, "")},
        "has the date 2026-02-09, its sentence says 2026-02-02",
    ),
    (_a_sentence, {(Check.SENTENCES, "gnss")}, "record 5 keeps a sentence whose checksum"),
    (_a_port, {(Check.HEADER, "")}, "port of cell is 'none', the header says 'elsewhere'"),
    (_no_port, {(Check.HEADER, "")}, "port of cell is missing, the header says"),
    (
        _no_digest_of_a_channel,
        {(Check.CERTIFICATES, "certs/cell.json")},
        "does not say which digest it was begun with",
    ),
    (_fewer_lost, {(Check.GAPS, "cell")}, "20 records told lost (checksum)"),
    (
        _records_cut_out,
        {(Check.GAPS, "cell"), (Check.RECORDS, "cell"), (Check.TICKS, "cell")},
        "2,000 records missing by its ticks",
    ),
    (
        _the_end_cut_off,
        # The fewer receipts give another tie.
        {(Check.RECORDS, "cell"), (Check.TICKS, "cell")},
        "at the stop 23,850 records had come",
    ),
    (_times, {(Check.TICKS, "cell")}, "0.01 s away"),
    (_one_time, {(Check.TICKS, "cell")}, "record 9,000 "),
    (_a_tie, {(Check.TICKS, "cell")}, "states u = "),
    (_ties_as_given, {(Check.TICKS, "cell")}, "tied again from the receipts it lies at"),
    (_the_duration, {(Check.HEADER, "")}, "said to last 13.000000 s"),
    (_utc, {(Check.UTC, "")}, "+86400.000000 s"),
    (_u_of_utc, {(Check.UTC, "")}, "the uncertainty of UTC"),
    (_a_revision, {(Check.MARKS, "")}, "has revisions 0, 2"),
    (_a_mark_moved, {(Check.MARKS, "")}, "was written otherwise during the recording"),
    (_first_of_a_mark_gone, {(Check.MARKS, "")}, "begins with revision 1"),
    (_entered_before, {(Check.MARKS, "")}, "100.0 s before its instant"),
    (a_coefficient, {(Check.CERTIFICATES, "certs/cell.json")}, "damaged or edited"),
    (
        _a_coefficient_digested,
        {(Check.CERTIFICATES, "certs/cell.json"), (Check.VALUES, "pull")},
        "curve.tension[1]: stated",
    ),
]
