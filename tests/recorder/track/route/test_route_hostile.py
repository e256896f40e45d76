"""Route tables as people and spreadsheets really make them, and as nobody should."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.track.route.route import RouteError, parse_route

HEADER = "chainage_m,end_chainage_m,kind,value,unit,direction,radius_m,spiral_in_m,spiral_out_m"


def table(*rows: str, header: str = HEADER) -> str:
    return "\n".join((header, *rows)) + "\n"


BAD = [
    (table("0,100,grade,25,"), "row 2: grade 25"),
    (table("0,,elevation,0,m", "100,,elevation,50,m"), "row 3: elevation rises 50.0 m"),
    (table("500,400,grade,1,"), "row 2: grade ends at 400 before it begins at 500"),
    (table("abc,,milepost,1,"), "row 2: 'abc' is not a number"),
    (table(",,milepost,1,"), "row 2: chainage_m is empty"),
    (table("1e999,,milepost,1,"), "row 2: '1e999' is too large"),
    (table("nan,,milepost,1,"), "row 2: 'nan' is not a number"),
    (table("0,,milepost,,"), "row 2: milepost has no value"),
    (table('"1,250",,milepost,1,'), "row 2: '1,250' has a decimal comma"),
    (table('"1.234.567",,milepost,1,'), "row 2: '1.234.567' has thousands separators"),
    (table("0,500,curve,,,left,5"), "row 2: curve has a radius of 5.0 m"),
    (table("0,500,curve,,,left,"), "row 2: curve needs one of"),
    (table("0,500,curve,,,up,500"), "row 2: direction is 'up'"),
    (table("0,,curve,,,left,500"), "row 2: curve has no length"),
    (table("0,100,curve,,,left,500,80,80"), "row 2: spirals of 80.0 + 80.0 m do not fit"),
    (table("0,100,curve,,,left,500,-8,80"), "row 2: spiral_in_m is -8"),
    (table("0,100,curve,,,left,-500"), "row 2: curve is -500"),
    (table("0,9,curve,,,left,500", "3,8,curve,,,left,500"), "row 3: curve lies inside"),
    (table("0,,speed_limit,9000,km/h"), "row 2: speed_limit is 9000"),
    (table("0,,speed_limit,60,knots"), "row 2: speed_limit has unit 'knots'"),
    (table("0,,speed_limit,40 mph,km/h"), "row 2: speed_limit has value '40 mph' but unit"),
    (
        table(
            "0,500,curve,300,400",
            header="chainage_m,end_chainage_m,kind,radius_m,superelevation_mm",
        ),
        "row 2: superelevation is 400 mm",
    ),
    (
        table("0,500,curve,190", header="chainage_m,end_chainage_m,kind,degree"),
        "row 2: degree of curve is 190",
    ),
    (table("0,,equation,52.4,"), "row 2: equation has value '52.4'"),
    (table("0,,vertical_curve,,", "0,50,grade,1,"), "row 2: vertical_curve has no length"),
    (table("0,90,grade,1,", "0,90,grade,2,"), "row 3: another grade begins at 0.0 m in row 2"),
    (table("0,90,grade,1,,,,,,surplus"), "row 2: 10 cells under 9 column names"),
    (table("0,90,grade,1 in 0,"), "row 2: grade '1 in 0' has no run"),
    (table("0,,milepost,1,"), "no length of a railway"),
    (table(), "has no row under its header"),
    ("", "is empty"),
    ("\n\n# only a remark\n", "is empty"),
    ("chainage_m,what\n0,x\n", "row 1: no column kind"),
    ("kind,value\nmilepost,1\n", "needs one chainage column"),
    (
        table("0,,milepost,1", header="chainage_m,chainage_ft,kind,value"),
        "needs one chainage column",
    ),
    (
        table("0,9,grade,1", header="chainage_m,end_chainage_ft,kind,value"),
        "mixes units: columns chainage_m and end_chainage_ft",
    ),
    (
        table("0,9,curve,9,9", header="chainage_m,end_chainage_m,kind,radius_m,radius_ft"),
        "mixes units: columns radius_m and radius_ft",
    ),
    (table("0,milepost,1", header="chainage_m,kind,kind"), "row 1: column kind is there twice"),
    (
        table(
            "0;milepost;1", "1,5;milepost;2", "2.5;milepost;3", header="chainage_m;kind;value"
        ),
        "row 3: '1,5' has a decimal comma but '2.5' in row 4",
    ),
    (
        table("0,milepost,1,91,0", header="chainage_m,kind,value,latitude_deg,longitude_deg"),
        "row 2: coordinates 91, 0 are no place on earth",
    ),
    (
        table("0,milepost,1,41,", header="chainage_m,kind,value,latitude_deg,longitude_deg"),
        "row 2: has one of latitude_deg and longitude_deg",
    ),
    (
        table("0,,speed_limit,40,", header="chainage_mi,end_chainage_mi,kind,value,unit"),
        "row 2: speed_limit 40 has no unit",
    ),
    ("chainage_m,kind\0,value\n", "holds NUL characters"),
]


@pytest.mark.parametrize(("text", "expected"), BAD, ids=[e[:40] for _, e in BAD])
def test_what_cannot_be_used_is_told_in_one_line_with_its_row(text: str, expected: str) -> None:
    with pytest.raises(RouteError) as caught:
        parse_route(text, source="line.csv")
    line = next((x for x in caught.value.lines if expected in x), None)
    assert line is not None, caught.value.lines
    assert line.startswith("line.csv: ")
    assert "\n" not in str(caught.value)


ODD = [
    (table("0,100,grade,1,", "150,300,grade,2,"), "row 3: no grade from 100.0 m to 150.0 m"),
    (table("0,200,grade,1,", "150,300,grade,2,"), "row 3: grade overlaps row 2 by 50.0 m"),
    (table("0,200,grade,6,"), "row 2: grade of 6.00 % is very steep"),
    (table("500,,milepost,1,", "0,,milepost,0,"), "row 3: milepost at 0.0 m stands after"),
    (table("0,99,tunel,,"), "kind 'tunel' is kept as a note (did you mean tunnel?)"),
    (table("0,99,curve,,,,500"), "row 2: curve has no direction"),
    (table("0,99,curve,,,left,500", "80,200,curve,,,left,400"), "row 3: curve overlaps row 2"),
    (table("0,99,grade,1,"), "has no milepost row"),
    (table("0,,milepost,1,", "9,,milepost,2,"), "has no grade and no elevation row"),
    (table("0,,milepost,1,", "900,,milepost,1,"), "row 3: milepost 1 is there twice"),
    (table("0,99,grade,1,", "20,80,vertical_curve,,"), "holds 0 changes of grade"),
    (
        table("0,99,grade,1,,", header="chainage_m,end_chainage_m,kind,value,unit,hight"),
        "row 1: column 'hight' is not known",
    ),
    (
        table("0,,elevation,0,m", "1000,,elevation,20,m", "0,1000,grade,0.5,"),
        "row 3: elevation climbs 20.0 m from row 2, grades 5.0 m",
    ),
]


@pytest.mark.parametrize(("text", "expected"), ODD, ids=[e[:40] for _, e in ODD])
def test_what_it_can_go_on_with_is_a_warning(text: str, expected: str) -> None:
    route = parse_route(text, source="line.csv")
    assert any(expected in w for w in route.warnings), route.warnings


def test_grade_stays_unknown_in_a_gap_and_is_cut_at_an_overlap() -> None:
    route = parse_route(table("0,100,grade,1,", "150,300,grade,2,"), source="x")
    assert str(route.grade_at([50, 120, 200]).tolist()) == "[0.01, nan, 0.02]"
    route = parse_route(table("0,200,grade,1,", "150,300,grade,2,"), source="x")
    assert route.grade_at([149, 151]).tolist() == pytest.approx([0.01, 0.02])


PLAIN = (
    "chainage_m,end_chainage_m,kind,value\n0,,milepost,1\n1000.5,,milepost,2\n0,900,grade,0.5\n"
)


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + PLAIN.encode(),
        PLAIN.encode("utf-16"),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.replace(",", ";").encode(),
        PLAIN.replace(",", ";").replace(".", ",").encode(),
        PLAIN.replace(",", "\t").encode(),
        b"sep=;\n" + PLAIN.replace(",", ";").encode(),
        b"# made by hand\n\n" + PLAIN.encode(),
        PLAIN.replace("chainage_m,", " Chainage m ,", 1).encode(),
        PLAIN.encode() + b",,,\n,,,\n",
    ],
    ids=[
        "bom",
        "utf16",
        "crlf",
        "semicolons",
        "commas",
        "tabs",
        "sep",
        "remarks",
        "header",
        "empty rows",
    ],
)
def test_what_spreadsheets_write_reads_the_same(data: bytes) -> None:
    route = parse_route(data, source="line.csv")
    assert [p.s_m for p in route.mileposts] == [0.0, 1000.5]
    assert float(route.grade_at(100.0)) == pytest.approx(0.005)
    # What is kept with a run must read again, whatever the file was encoded in.
    again = parse_route(route.text, source="kept")
    assert again.mileposts == route.mileposts
    assert again.digest == route.digest


def test_a_file_in_an_old_encoding_goes_on_with_a_warning() -> None:
    data = (PLAIN + "500,,station,Mühle\n").encode("cp1252")
    route = parse_route(data, source="line.csv")
    assert any("not UTF-8" in w for w in route.warnings)
    assert route.features(500, 500, {"station"})[0].name == "Mühle"


def test_a_thousand_bad_rows_do_not_make_a_thousand_lines() -> None:
    with pytest.raises(RouteError) as caught:
        parse_route(table(*(["0,100,grade,99,"] * 1000)), source="line.csv")
    assert len(caught.value.lines) < 50


def test_a_mistake_of_ours_is_no_fault_of_a_row(monkeypatch: pytest.MonkeyPatch) -> None:
    def mistaken(*_: object) -> None:
        msg = "unheard of"
        raise ValueError(msg)

    monkeypatch.setattr("recorder.track.route.features.radius_from_degree", mistaken)
    text = table("0,500,curve,2", header="chainage_m,end_chainage_m,kind,degree")
    with pytest.raises(ValueError, match="unheard of") as raised:
        parse_route(text, source="line.csv")
    assert type(raised.value) is ValueError


def complaints(data: bytes | str) -> tuple[str, ...]:
    """All that is said of a table; anything but a route or a route error comes through."""
    try:
        return parse_route(data, source="line.csv").warnings
    except RouteError as error:
        return error.lines


CELL = st.sampled_from(
    [
        "",
        "0",
        "-1",
        "12+345",
        "1,5",
        "1.5",
        "nan",
        "grade",
        "curve",
        "milepost",
        "equation",
        "%",
    ]
) | st.text(max_size=8)


@given(st.lists(st.lists(CELL, max_size=9), max_size=8))
@settings(max_examples=150, deadline=None)
def test_any_cells_give_a_route_or_a_route_error(rows: list[list[str]]) -> None:
    text = HEADER + "\n" + "\n".join(",".join(row) for row in rows)
    assert all(line.startswith("line.csv: ") for line in complaints(text))


@given(st.binary(max_size=300))
@settings(max_examples=150, deadline=None)
def test_any_bytes_give_a_route_or_a_route_error(data: bytes) -> None:
    for head in (b"", HEADER.encode() + b"\n"):
        assert all(line.startswith("line.csv: ") for line in complaints(head + data))
