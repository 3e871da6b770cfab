"""Settings: one frozen object, put together from the data file, the environment and the options.

A setting is an event in the data file like everything else, so it goes with the file and can be undone.
The environment (SHIMFIT_UNITS, SHIMFIT_THEME, …) wins over the file, an option wins over both. Nothing here
reads at import: the object is made when a command runs and handed down.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from shimfit.errors import LONGEST_TEXT, UsageError, sign_fault
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.core.objective import Minutes

Units = Literal["mm", "inch"]
Theme = Literal["sun", "dark", "term"]
Rule = Literal["95", "simple", "2u"]


RULE_WORDS = {"95": "plumb if 95 % sure", "simple": "by the value alone", "2u": "plumb with 2u to spare"}
FOUND = "found by listening"


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


def _declared(default: Any, says: str, **more: Any) -> Any:
    """A setting's field. says: what it is, as the screen's list tells it; more: see Settings."""
    return field(default=default, metadata={"says": says, **more})


@dataclass(frozen=True, slots=True)
class Settings:
    """What the user has set, or the default that stands until then: each setting is declared here, once.

    `choices`: what it may be, where its type doesn't say it. `judge`: refuses a text; it asks the room that
    will use the value, loaded when one is typed, never at each start. `unit`: what an amount is in, where
    the name alone doesn't say it. `words`: what stands on the screen for a value that says little by itself.
    `label`: what it is called there, where that is not its name. An empty text is none.
    """

    units: Units = _declared("mm", "what a bare number means: mm or inch", choices=get_args(Units))
    graduation: int = _declared(
        16,
        "finest mark of the inch tape: 8, 16, 32 or 64",
        choices=("8", "16", "32", "64"),
        words={one: f'1/{one}"' for one in ("8", "16", "32", "64")},
    )
    by: str = _declared("", "who reads; stands in the record", words={"": "not named"})
    instrument: str = _declared("", "name of the level or inclinometer in use", words={"": "not named"})
    rule: Rule = _declared(
        "95",
        "decision rule of new runs: 95, simple or 2u",
        choices=get_args(Rule),
        words=RULE_WORDS,
        label="rule, new runs",
    )
    theme: Theme = _declared(
        "sun",
        "sun, dark or term",
        choices=get_args(Theme),
        words={"sun": "sun, black on white", "dark": "dark, white on black", "term": "the terminal's own"},
    )
    keys: str = _declared(
        "",
        "keys of your own, like undo=ctrl+u, help=f9; empty: the usual ones",
        words={"": "the usual ones"},
    )
    ascii: bool = _declared(
        False,
        "only ASCII signs are drawn, from the next start on: yes or no",
        words={"no": "all signs", "yes": "ASCII signs only"},
    )
    bell: bool = _declared(True, "ring for refused (3), logged (1), plumb (2): yes or no; ^G too")
    cadence: bool = _declared(
        True, "with a sensor: beats that come faster towards plumb while you pack: yes or no"
    )
    hints: bool = _declared(True, "first-run hints: yes or no")
    sensor: str = _declared("", "where the inclinometer is: a device or a URL; a comma between two")
    sensor_format: str = _declared("auto", "auto, xdr, or the file that describes it", words={"auto": FOUND})
    sensor_baud: int = _declared(0, "speed of its port; 0: found by listening", words={"0": FOUND})
    sensor_axes: str = _declared(
        "x=next y=out", "faces that its x and y lean towards, like x=next y=out", judge=_judge_axes
    )
    timber: str = _declared(
        "",
        "species that the packs press on; empty: crushing is not checked",
        judge=_judge_timber,
        words={"": "crushing not checked"},
    )
    torque_nm: float = _declared(
        0.0,
        "usual torque of the nut; 0: only a logged one counts",
        unit="N m",
        label="torque",
        words={"0": "only what is logged"},
    )
    rod_mm: float = _declared(12.0, "thread diameter of the rod", unit="mm", label="rod")
    nut: str = _declared("zinc plated", "finish of the nut: turns its torque into pull", judge=_judge_nut)
    saw_deg: str = _declared(
        "",
        "what the saw can be set to, like 0.5 1 1.5; empty: no wedges are sawn",
        judge=degrees,
        words={"": "no wedges are sawn"},
        label="saw",
    )
    foresight: bool = _declared(
        True, "where the box is scarce, leave what the last 8 posts to come will likely need: yes or no"
    )
    minutes_round: float = _declared(8.0, "one more round: loosen, set, tighten, read", unit="min")
    minutes_piece: float = _declared(0.5, "one piece to find, carry and slide in", unit="min")
    minutes_cut: float = _declared(0.75, "one cut: a taper at its mark, a wedge off a strip", unit="min")
    minutes_tip_cut: float = _declared(0.75, "cutting off a tip that would foul the rod", unit="min")
    minutes_set_up: float = _declared(2.0, "setting the saw to another angle", unit="min")
    minutes_change: float = _declared(0.5, "one change of what stands", unit="min")
    minutes_lift: float = _declared(6.0, "lifting a whole foot", unit="min")
    minutes_lift_mm: float = _declared(
        1.0, "each mm that a whole foot is lifted", unit="min for each mm", label="each mm"
    )
    money_hour: float = _declared(
        30.0, "an hour of the crew: turns bought material into minutes", unit="an hour", judge=_judge_hour
    )
    money_flat: float = _declared(0.1, "a bought flat, in the same money", unit="each")
    money_taper: float = _declared(
        0.25, "a stretch of a bought taper; the rest goes back to the box", unit="a stretch"
    )
    money_strip_m: float = _declared(1.5, "bought strip", unit="a metre", label="money strip")
    firm: str = _declared("", "firm that hands over: a new job's records say so", words={"": "not given"})
    firm_address: str = _declared("", "its address", words={"": "not given"})
    backup_days: int = _declared(
        0, "back up when the last one is so many days old; 0: never", words={"0": "never"}
    )
    backup_folder: str = _declared(
        "",
        "where backups go; empty: beside the data file",
        words={"": "beside the data file"},
    )


_DECLARED = {one.name: one for one in fields(Settings)}
NAMES = tuple(_DECLARED)
YES, NO = ("yes", "on", "true", "1"), ("no", "off", "false", "0")
SAYS: dict[str, tuple[str, str]] = {
    name: (one.metadata.get("label", name.replace("_", " ")), one.metadata["says"])
    for name, one in _DECLARED.items()
}


def choices_of(key: str) -> tuple[str, ...]:
    """All that a setting can be, where those are few; else none."""
    if isinstance(_DECLARED[key].default, bool):
        return ("yes", "no")
    return tuple(_DECLARED[key].metadata.get("choices", ()))


def shown(key: str, value: Any) -> str:
    """A value as it is typed, with the unit that its name does not say: `yes`, `6.0 min`; empty for none."""
    text = {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)
    unit = _DECLARED[key].metadata.get("unit", "")
    return text if key.endswith(f"_{unit.replace(' ', '').lower()}") else f"{text} {unit}".rstrip()


def in_words(key: str, value: Any) -> str:
    """A value as the screen says it: `plumb if 95 % sure`, `6 min`, `none`."""
    number, more = isinstance(value, float) and value.is_integer(), _DECLARED[key].metadata
    unit: str = more.get("unit", "")
    words: dict[str, str] = more.get("words", {})
    bare = shown(key, int(value) if number else value).removesuffix(unit).strip()
    return words.get(bare) or f"{bare} {unit}".strip() or "none"


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
        from shimfit.settings.actions import parse_keys

        parse_keys(text)
        return text.strip()
    match declared.default:
        case bool():
            word = text.strip().lower()
            if word not in YES and word not in NO:
                raise UsageError(f"{key} is yes or no, not {text!r}")
            return word in YES
        case float():
            from shimfit.quantities.typed import decimal_number, parse_length, to_torque_nm

            units = {"N m": to_torque_nm, "mm": parse_length}
            amount = decimal_number(text)
            if math.isnan(amount) and any(map(str.isdigit, text)):
                amount = units.get(str(declared.metadata.get("unit")), decimal_number)(text)
            if not 0.0 <= amount < 1e6:
                raise UsageError(f"{key} is a number from 0 up, not {text!r}")
            return amount
        case int():
            if not text.isascii() or not text.isdigit():
                raise UsageError(f"{key} is a whole number, not {text!r}")
            if len(text) > 8:
                raise UsageError(f"{key} can't be as much as {text}")
            return int(text)
    return text


def load(
    stored: Mapping[str, Any],
    *,
    environment: Mapping[str, str] | None = None,
    options: Mapping[str, Any] | None = None,
) -> Settings:
    """Settings from the data file, the environment and the options (None = not given), in that order.

    What could not have been typed is left alone where the file holds it, as one of another hand may;
    UsageError for it in the environment.
    """
    found = {key: value for key, value in stored.items() if key in NAMES and _can_be(key, value)}
    surroundings = os.environ if environment is None else environment
    for key in NAMES:
        text = surroundings.get(f"SHIMFIT_{key.upper()}")
        if text is not None:
            # Keys that can't be are refused on the screen, where they matter: nothing else waits for them.
            found[key] = text if key == "keys" else parse_setting(key, text)
    given = {key: value for key, value in (options or {}).items() if value is not None and key in NAMES}
    return replace(Settings(), **found | given)


def _can_be(key: str, value: Any) -> bool:
    """True for a value that could have been typed."""
    try:
        return bool(_value(key, str(value)) == value)
    except UsageError:
        return key == "keys" and isinstance(value, str)  # refused on the screen, where they matter


def minutes_of(settings: Settings) -> Minutes:
    """Prices as they are set: work in minutes, material in money, turned into minutes by the hour's worth."""
    from shimfit.core.objective import Minutes

    rate = 60.0 / settings.money_hour if settings.money_hour > 0.0 else 0.0
    return replace(
        Minutes(),
        round=settings.minutes_round,
        piece=settings.minutes_piece,
        cut=settings.minutes_cut,
        tip_cut=settings.minutes_tip_cut,
        saw_set_up=settings.minutes_set_up,
        change=settings.minutes_change,
        lift=settings.minutes_lift,
        lift_per_mm=settings.minutes_lift_mm,
        bought_flat=settings.money_flat * rate,
        bought_taper=settings.money_taper * rate,
        bought_strip_per_m=settings.money_strip_m * rate,
    )


def data_file(option: str | None) -> Path:
    """Path of the data file: --db, else SHIMFIT_DB, else `shimfit.db` in the user's data folder."""
    if option:
        return Path(option)
    if named := os.environ.get("SHIMFIT_DB"):
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("shimfit", appauthor=False) / "shimfit.db"
