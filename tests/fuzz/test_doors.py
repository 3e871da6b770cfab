"""Short runs at every way in, and what once broke one; `python tests/fuzz/longer.py` goes on for hours."""

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz import doors

SHORT = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)
WORDS_AT_A_POST = [
    *(
        "3/8",
        "1",
        "1/4",
        "1-1/4",
        ".375",
        "0,5",
        "9",
        "13",
        "0",
        "1e9",
        "inf",
        "nan",
        "٣",
        "\u00bd",
        "/20",
        "4'",
    ),
    *(
        "mm",
        "cm",
        "in",
        "ft",
        "d",
        "deg",
        "°",
        "mm/m",
        "%",
        "'",
        '"',
        "/",
        ",",
        ";",
        "+",
        "-",
        "−",
        " ",
        "0 0",
    ),
    *("n", "p", "o", "h", "next", "out", "house", "i", "<", ">", "^", "v", "@", "over", "per", "@height"),
    *("strong", "shy", "plumb", "ok", "48"),
]
STOCK_CELLS = [
    *("flat", "taper", "strip", "1", "2", "0", "-1", "0.5", "3/8", "1e308", "nan", "offcut", "bought"),
    *("1 1/2", "", "a,b", 'q"'),
]
HEADERS = "lot,form,material,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm,origin,note"
TOML_PARTS = """\
format = "text"
format = "modbus"
format = "xdr"
columns = ["x deg", "y deg"]
baud = 9600
scale = 1e400
[[values]]
name = "x"
address = 7
type = "int16"
separator = 3
range_deg = nan
=
[
x = ['PTCH']
y = ["ROLL"]
poll_s = -1
station = 300
flip = ['z']
rate_hz = inf
""".splitlines()
LINES = [
    b"$WIXDR,A,+02.9,D,PITCH,A,+00.7,D,ROLL*07\r\n",
    b"$APXDR,A,3.864,D,ROLL*60\r\n",
    b"$APXDR,A,0.140,D,PTCH*7E\r\n",
    b"1.25,-0.50\n",
    b"0.01;0.02;0.98\n",
    b"\x01\x03\x04\x00\x10\x00\x20",
    b"@0.5 7\n1.2,3.4\n",
    b"!1.5 closed\n",
    b"\x00\xff$$**\r\r\n",
    b"nan,inf\n",
    b"9" * 1100,
]
ANY = st.binary(max_size=200) | st.text(max_size=80).map(str.encode)
ENTRIES = st.lists(st.sampled_from(WORDS_AT_A_POST), max_size=7).map(
    lambda parts: " ".join(parts).encode()
) | st.lists(st.sampled_from(WORDS_AT_A_POST), max_size=7).map(lambda parts: "".join(parts).encode())
STOCKS = st.lists(st.lists(st.sampled_from(STOCK_CELLS), min_size=9, max_size=12), max_size=4).map(
    lambda rows: "\n".join([HEADERS, *(",".join(row) for row in rows)]).encode()
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)


def meddled(valid):
    """A valid JSON text with up to three of its values replaced by anything, or taken out."""

    def meddle(changes):
        document = json.loads(valid)
        for pick, value, drop in changes:
            places = list(places_in(document))
            if not places:
                break
            holder, key = places[pick % len(places)]
            if drop:
                del holder[key]
            else:
                holder[key] = value
        return json.dumps(document).encode()

    return st.lists(st.tuples(st.integers(0, 10_000), JSON, st.booleans()), max_size=3).map(meddle)


def places_in(value):
    """Every (container, key) in a JSON document."""
    keys = value.keys() if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in list(keys):
        yield value, key
        yield from places_in(value[key])


STREAMS = st.lists(st.sampled_from(LINES) | st.binary(max_size=20), max_size=30).map(b"".join)
CASES = {
    "entry": ENTRIES,
    "length": ENTRIES,
    "stock": STOCKS,
    "dialect": st.lists(st.sampled_from(TOML_PARTS), max_size=8).map(lambda parts: "\n".join(parts).encode()),
    "events": meddled(json.dumps(doors.EVENT)),
    "problem": meddled(json.dumps(doors.PROBLEM)),
    "answer": meddled(json.dumps(doors.ANSWER)),
    "logged": meddled(json.dumps({"events": doors.LOGGED})),
    "capture": STREAMS | STREAMS.map(lambda data: b"# shimfit capture 1\n" + data),
}


@pytest.mark.parametrize("name", [name for name in doors.DOORS if name != "printed"])
@SHORT
@given(data=st.data())
def test_a_door_takes_anything(name, data):
    doors.knock(name, data.draw(CASES[name] | ANY))


@settings(SHORT, max_examples=8)
@given(data=ANY)
def test_anything_that_was_typed_can_be_printed(data):
    doors.knock("printed", data)


@pytest.mark.parametrize("name", sorted(doors.SEEDS))
def test_seeds_of_the_longer_run_are_let_in(name):
    for seed in doors.SEEDS[name]:
        doors.DOORS[name](seed)  # no ShimfitError either: a seed that is refused at the door steers nothing


FOUND = [
    # Messages that quote what was typed or read ran over several lines.
    ("length", b'3/8\n" over'),
    ("stock", b'"z\n\n\x1b[2J"'),
]
"""What once broke a door: (door, bytes), the newest last."""


@pytest.mark.parametrize(("name", "data"), FOUND)
def test_what_was_found_stays_mended(name, data):
    doors.knock(name, data)
