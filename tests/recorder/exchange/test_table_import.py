"""Tables from elsewhere: units, uneven steps, and hostile input told by row."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.exchange.marks_table import read_marks_table
from recorder.exchange.table_import import import_table, read_table
from recorder.exchange.table_text import TableError
from recorder.run_file.hdf5.reader import open_run


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_customary_units_become_si(tmp_path: Path) -> None:
    """Exact factors: pound-force and mile of the international yard and pound of 1959."""
    table = write(
        tmp_path / "roll.csv",
        "time_s,pull_lbf,speed_mph,distance_mi,grade_pct,curve_radius_m\n"
        "0,1000,30,0,0.5,\n2,1000,30,0.0166667,0.5,500\n7.5,-1000,15,0.04,-1,0\n",
    )
    found = read_table(table)
    assert found.columns["pull"][0] == pytest.approx(4.4482216152605)
    assert found.columns["pull"][2] == pytest.approx(-4.4482216152605)
    assert found.columns["speed"][0] == pytest.approx(13.4112)
    assert found.columns["distance"][2] == pytest.approx(64.37376)
    assert found.columns["grade"][2] == pytest.approx(-0.01)
    assert found.columns["curvature"].tolist() == pytest.approx([0.0, 0.002, 0.0])


def test_import_makes_a_sealed_run(tmp_path: Path) -> None:
    table = read_table(
        write(tmp_path / "t.csv", "time_s,draft\n5,1\n6,2\n9,\n"), ["pull=draft:klbf"]
    )
    marks = read_marks_table(
        write(tmp_path / "m.csv", "time_s,kind,value\n1,milepost,12\n2,remark,wind\n")
    )
    out = tmp_path / "run.h5"
    import_table(table, out, software="x 1", marks=marks, uncertainties={"pull": (None, 0.01)})
    with open_run(out) as run:
        assert run.complete
        pull = run.channels["pull"]
        assert pull.time_s().tolist() == [0.0, 1.0, 4.0]
        np.testing.assert_allclose(
            pull.values(), [4.4482216152605, 8.896443230521, np.nan], rtol=1e-6
        )
        assert pull.relative_uncertainty == 0.01
        assert [m.value for m in run.marks()] == ["12", "wind"]
        assert run.header.origin == "imported"
    with pytest.raises(FileExistsError):
        import_table(table, out, software="x 1")


def test_marks_keep_the_clock_of_their_table(tmp_path: Path) -> None:
    table = read_table(write(tmp_path / "t.csv", "time_min,pull_kN\n20,1\n21,2\n"))
    marks = write(tmp_path / "m.csv", "time_s,kind,value\n1230,milepost,12\n")
    assert [m.t_s for m in read_marks_table(marks, table)] == pytest.approx([30.0])


def test_marks_of_a_roll_without_a_clock_stand_at_a_distance(tmp_path: Path) -> None:
    rows = "distance_m,speed_m_s,pull_kN\n1000,10,5\n1100,10,5\n1300,20,5\n"
    table = read_table(write(tmp_path / "r.csv", rows))
    marks = write(tmp_path / "m.csv", "distance_km,kind,value\n1.05,milepost,12\n")
    assert [m.t_s for m in read_marks_table(marks, table)] == pytest.approx([5.0])
    backward = "distance_m,speed_m_s,pull_kN\n300,10,5\n200,10,5\n0,10,5\n"
    table = read_table(write(tmp_path / "b.csv", backward))
    marks = write(tmp_path / "n.csv", "distance_m,kind,value\n50,milepost,12\n")
    assert [m.t_s for m in read_marks_table(marks, table)] == pytest.approx([25.0])


@pytest.mark.parametrize(
    ("rows", "wanted"),
    [
        ("distance_m,speed_m_s\n0,1\n10,1\n", "row 2: .*20.0 m lies outside the table"),
        ("time_s,distance_m\n0,0\n1,30\n2,10\n", "row 2: .*turns back"),
        ("time_s,pull_kN\n0,1\n1,2\n", "row 2: .*no distance to place a mark by"),
    ],
)
def test_a_distance_that_is_no_instant_is_refused(
    tmp_path: Path, rows: str, wanted: str
) -> None:
    table = read_table(write(tmp_path / "t.csv", rows))
    marks = write(tmp_path / "m.csv", "distance_m,kind,value\n20,milepost,12\n")
    with pytest.raises(TableError, match=wanted):
        read_marks_table(marks, table)


def test_a_column_that_marks_do_not_have_is_said(tmp_path: Path) -> None:
    said: list[str] = []
    marks = write(tmp_path / "m.csv", "time_s,kind,value,text,revision\n1,remark,a,b,0\n")
    read_marks_table(marks, warn=said.append)
    assert len(said) == 1
    assert "'text' is left out" in said[0]


def test_time_is_made_from_distance_and_speed(tmp_path: Path) -> None:
    path = write(
        tmp_path / "r.csv", "distance_m,speed_m_s,pull_kN\n0,10,5\n100,10,5\n300,20,5\n"
    )
    time_s = read_table(path).time_s
    assert time_s.tolist() == pytest.approx([0.0, 10.0, 25.0])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("time_s,pull_kN\n", "no rows below"),
        ("time_s,pull_kN\n0,1\n1,abc\n", "row 3"),
        ("time_s;pull_kN\n0;1,5\n", "decimal comma"),
        ("time_s,pull_kN\n0,1\n0,2\n", "row 3: time 0 s does not follow"),
        ("time_s,pull_kN\n1,1\n,2\n", "row 3: time is empty"),
        ("time_s,pull_kN,pull_lbf\n0,1,2\n", "both pull"),
        ("time_s,colour\n0,1\n", "none of the columns"),
        ("pull_kN\n1\n", "no time column"),
        ("time_s,pull_kN\n0,inf\n", "finite"),
        ("time_s,pull_kN\n0,1,2\n", "3 cells"),
        ("time_s,pull_furlong\n0,1\n", "none of the columns"),
    ],
)
def test_bad_tables_get_one_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(TableError) as caught:
        read_table(write(tmp_path / "t.csv", text))
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_number_beyond_all_bounds_is_named_with_its_row(tmp_path: Path) -> None:
    table = write(tmp_path / "t.csv", "time_s,pull_kN\n0,1\n1,1e300\n")
    with pytest.raises(TableError, match=r"row 3: pull_kN is '1e300'; allowed: -1e\+24 to"):
        read_table(table)


def test_mapping_names_the_columns(tmp_path: Path) -> None:
    path = write(tmp_path / "t.csv", "time_s,p\n0,1\n")
    with pytest.raises(TableError, match="one of the columns"):
        read_table(path, ["pull=q:kN"])
    with pytest.raises(TableError, match=r"not a unit|cannot convert"):
        read_table(path, ["pull=p:mph"])


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(data)
    for reader in (read_table, read_marks_table):
        told = ""
        try:
            reader(path)
        except TableError as error:
            told = str(error)
        assert "\n" not in told.strip()
