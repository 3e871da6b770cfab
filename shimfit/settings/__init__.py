"""Settings: one frozen object, put together from the data file, the environment and the options.

A setting is an event in the data file like everything else, so it goes with the file and can be undone.
The environment (SHIMFIT_UNITS, SHIMFIT_THEME, …) wins over the file, an option wins over both. Nothing here
reads at import: the object is made when a command runs and handed down.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import field, fields, replace
from pathlib import Path
from typing import Any, Literal, get_args

from shimfit.errors import LONGEST_TEXT, UsageError, sign_fault
from shimfit.settings.actions import parse_keys
from shimfit.values import dataclass

Units = Literal["mm", "inch"]
Theme = Literal["sun", "dark", "term"]
Rule = Literal["95", "simple", "2u"]


def _judge_axes(text: str) -> None:
    from shimfit.core.sensing.mounting import parse_axis_map

    parse_axis_map(text)


def _judge_timber(text: str) -> None:
    from shimfit.core.bearing import timber_named

    timber_named(text)


def _judge_nut(text: str) -> None:
    from shimfit.core.bearing import clamp_from_torque

    clamp_from_torque(1.0, 12.0, text)


def _judge_hour(text: str) -> None:
    if float(text) <= 0.0:
        raise UsageError("money_hour has to be more than 0: material is turned into minutes by it")


def degrees(text: str) -> tuple[float, ...]:
    """Angles that the saw can be set to, from the setting; raises UsageError."""
    from shimfit.quantities.typed import decimal_number

    angles = tuple(decimal_number(part) for part in text.replace(",", " ").split())
    if not all(0.0 < angle < 45.0 for angle in angles):
        raise UsageError(f"the setting saw_deg is a list of degrees like 0.5 1 1.5, not {text!r}")
    return angles


@dataclass(frozen=True, slots=True)
class Settings:
    """What the user has set, or the default that stands until then: each setting is declared here, once.

    `choices`: what it may be, where its type doesn't say it. `judge`: refuses a text; it asks the room that
    will use the value, loaded when one is typed, never at each start.
    """

    units: Units = field(default="mm", metadata={"choices": get_args(Units)})
    """What a bare number means: mm or inch."""
    graduation: int = field(default=16, metadata={"choices": ("8", "16", "32", "64")})
    """Tape in inches: the smallest mark is 1/graduation in."""
    by: str = ""
    """Who reads; stands in the record beside each reading."""
    instrument: str = ""
    """Name of the instrument in use; empty = a level with the default uncertainty."""
    rule: Rule = field(default="95", metadata={"choices": get_args(Rule)})
    """Decision: 95 = one-sided 95 % guard band, simple = none, 2u = guard band of twice the uncertainty."""
    theme: Theme = field(default="sun", metadata={"choices": get_args(Theme)})
    keys: str = ""
    """Keys of one's own on the screen, like `undo=ctrl+u, help=f9`; empty = the usual ones."""
    ascii: bool = False
    """True: only ASCII signs are drawn."""
    bell: bool = True
    """True: it rings for what is refused, logged, plumb."""
    cadence: bool = True
    """True: while an inclinometer streams and packs go in, beats come faster towards plumb."""
    hints: bool = True
    """True: first-run hints are shown until each was followed once."""
    sensor: str = ""
    """Where the inclinometer is: a device name or a serial URL; empty = none."""
    sensor_format: str = "auto"
    """auto (found by listening), xdr, or the file that describes it."""
    sensor_baud: int = 0
    """Speed of the port; 0 = found by listening."""
    sensor_axes: str = field(default="x=next y=out", metadata={"judge": _judge_axes})
    """Faces that the sensor's positive x and y lean towards."""
    timber: str = field(default="", metadata={"judge": _judge_timber})
    """Species that packs are pressed against (a row of the timber table); empty = crushing is not checked."""
    torque_nm: float = 0.0
    """Usual torque of the nut in N m; 0 = not known, then only a logged torque counts."""
    rod_mm: float = 12.0
    """Thread diameter of the rod."""
    nut: str = field(default="zinc plated", metadata={"judge": _judge_nut})
    """Finish of the nut: what its torque turns into pull with."""
    saw_deg: str = field(default="", metadata={"judge": degrees})
    """What the saw can be set to, in degrees, like `0.5 1 1.5`; empty = no wedges are sawn."""
    foresight: bool = True
    """True: where the box is scarce, a post leaves what the posts to come will likely need."""
    minutes_round: float = field(default=6.0, metadata={"unit": "min"})
    """One more round: loosen, set, tighten, read. Prices of packing, which packs are chosen by."""
    minutes_piece: float = field(default=0.5, metadata={"unit": "min"})
    """One piece to find, carry and slide in."""
    minutes_cut: float = field(default=0.75, metadata={"unit": "min"})
    """One cut: a taper at its mark, a wedge off a strip."""
    minutes_tip_cut: float = field(default=0.75, metadata={"unit": "min"})
    """Cutting off a taper's tip that would foul the rod."""
    minutes_set_up: float = field(default=2.0, metadata={"unit": "min"})
    """Setting the saw to another angle."""
    minutes_change: float = field(default=0.5, metadata={"unit": "min"})
    """One change of what stands."""
    minutes_lift: float = field(default=6.0, metadata={"unit": "min"})
    """Lifting a whole foot."""
    minutes_lift_mm: float = field(default=1.0, metadata={"unit": "min for each mm"})
    """Each mm that a whole foot is lifted."""
    money_hour: float = field(default=30.0, metadata={"unit": "an hour", "judge": _judge_hour})
    """What an hour of the crew is worth: turns the money of bought material into minutes."""
    money_flat: float = field(default=0.1, metadata={"unit": "each"})
    """A bought flat, in the same money."""
    money_taper: float = field(default=0.25, metadata={"unit": "a stretch"})
    """A stretch of a bought taper; the rest goes back to the box."""
    money_strip_m: float = field(default=1.5, metadata={"unit": "a metre"})
    """A metre of bought strip."""
    firm: str = ""
    """Firm that hands over: a new job's records say so; empty = not given."""
    firm_address: str = ""
    backup_days: int = 0
    """Write a backup beside the data file when the last is this many days old; 0 = never."""
    backup_folder: str = ""


UNITS: dict[str, str] = {one.name: one.metadata["unit"] for one in fields(Settings) if "unit" in one.metadata}
"""What the amounts are in, where their name alone doesn't say it."""
_DECLARED = {one.name: one for one in fields(Settings)}
NAMES = tuple(_DECLARED)


def parse_setting(key: str, text: str) -> Any:
    """Value of a setting from what was typed; raises UsageError or EntryError naming the choices."""
    value = _value(key, text)
    fault = sign_fault(text, LONGEST_TEXT)
    if fault is not None:
        raise UsageError(f"{key} {fault}")
    judge = _DECLARED[key].metadata.get("judge")
    if text.strip() and judge:
        judge(text)
    return value


def _value(key: str, text: str) -> Any:
    """What the key's own type and choices make of a text."""
    declared = _DECLARED.get(key)
    if declared is None:
        raise UsageError(f"there is no setting {key!r}; the settings are {', '.join(NAMES)}")
    choices = declared.metadata.get("choices")
    if choices and text not in choices:
        raise UsageError(f"{key} can be {' or '.join(choices)}, not {text!r}")
    if key == "keys":
        parse_keys(text)
        return text.strip()
    match declared.default:
        case bool():
            return _yes_or_no(key, text)
        case float():
            return _amount(key, text)
        case int():
            return _count(key, text)
    return text


def _count(key: str, text: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise UsageError(f"{key} is a whole number, not {text!r}")
    if len(text) > 8:
        raise UsageError(f"{key} can't be as much as {text}")
    return int(text)


def _amount(key: str, text: str) -> float:
    from shimfit.quantities.typed import decimal_number

    value = decimal_number(text)
    if not 0.0 <= value < 1e6:
        raise UsageError(f"{key} is a number from 0 up, not {text!r}")
    return value


def _yes_or_no(key: str, text: str) -> bool:
    word = text.strip().lower()
    if word in ("yes", "on", "true", "1"):
        return True
    if word in ("no", "off", "false", "0"):
        return False
    raise UsageError(f"{key} is yes or no, not {text!r}")


def with_stored(base: Settings, stored: Mapping[str, Any]) -> Settings:
    """Settings with the values that the data file holds; what could not be typed is left alone."""
    known = {key: value for key, value in stored.items() if key in NAMES and can_be(key, value)}
    return replace(base, **known)


def can_be(key: str, value: Any) -> bool:
    """True for a value that could have been typed: a file of another hand may hold any."""
    try:
        return bool(_value(key, str(value)) == value)
    except UsageError:
        return key == "keys" and isinstance(value, str)  # refused on the screen, where they matter


def with_environment(base: Settings, environment: Mapping[str, str]) -> Settings:
    """Settings with SHIMFIT_<NAME> from the environment; raises UsageError for a bad value."""
    changes: dict[str, Any] = {}
    for key in NAMES:
        text = environment.get(f"SHIMFIT_{key.upper()}")
        if text is not None:
            # Keys that can't be are refused on the screen, where they matter: nothing else waits for them.
            changes[key] = text if key == "keys" else parse_setting(key, text)
    return replace(base, **changes)


def load(
    stored: Mapping[str, Any],
    *,
    environment: Mapping[str, str] | None = None,
    options: Mapping[str, Any] | None = None,
) -> Settings:
    """Settings from the data file, the environment and the options (None = not given), in that order."""
    found = with_environment(
        with_stored(Settings(), stored), os.environ if environment is None else environment
    )
    given = {key: value for key, value in (options or {}).items() if value is not None and key in NAMES}
    return replace(found, **given)


def data_file(
    option: str | None,
    environment: Mapping[str, str] | None = None,
    user_folder: Callable[[], Path] | None = None,
) -> Path:
    """Path of the data file: --db, else SHIMFIT_DB, else `shimfit.db` in the user's data folder."""
    if option:
        return Path(option)
    named = (os.environ if environment is None else environment).get("SHIMFIT_DB")
    if named:
        return Path(named)
    return (user_folder or _user_folder)() / "shimfit.db"


def _user_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("shimfit", appauthor=False)
