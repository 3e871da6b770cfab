"""Keys of one's own: what is taken, and the sentence for what is not."""

from __future__ import annotations

import pytest

from shimfit.errors import UsageError
from shimfit.settings import Settings, load, parse_setting
from shimfit.settings.actions import DEFAULT_KEYS, NAMES, parse_keys


def test_what_is_set_stands_beside_the_usual_ones() -> None:
    keys = parse_keys(" undo = ctrl+u ,help=F9 packed=f7")
    assert keys == dict(DEFAULT_KEYS) | {"undo": "ctrl+u", "help": "f9", "packed": "f7"}
    assert parse_keys("") == dict(DEFAULT_KEYS)
    assert parse_keys("undo=ctrl+y, redo=ctrl+z")["redo"] == "ctrl+z", "two may change places"


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        ("und=ctrl+u", ("'und'", "undo", "packed", "palette")),
        ("go_post=f9", ("'go_post'",)),
        ("undo", ("'undo' names no key", "undo=ctrl+u")),
        ("undo=u", ("undo=u", "text on the line", "f1 to f12")),
        ("undo=?", ("undo=?", "text on the line")),
        ("undo=space", ("undo=space", "f1 to f12")),
        ("undo=f13", ("undo=f13", "f1 to f12")),
        ("undo=ctrl+shift+u", ("f1 to f12",)),
        ("undo=", ("undo=", "f1 to f12")),
        ("undo=ctrl+h", ("Backspace",)),
        ("undo=ctrl+i", ("Tab",)),
        ("undo=ctrl+j", ("Enter",)),
        ("undo=ctrl+m", ("Enter",)),
        ("undo=ctrl+s", ("stop",)),
        ("undo=ctrl+b", ("multiplexer",)),
        ("undo=f9 undo=f8", ("undo is set twice",)),
        ("undo=ctrl+y", ("undo=ctrl+y", "is redo already")),
        ("packed=f9, trimmed=f9", ("f9", "packed", "trimmed")),
    ],
)
def test_what_can_t_be_is_a_sentence(text: str, reported: tuple[str, ...]) -> None:
    with pytest.raises(UsageError) as refused:
        parse_setting("keys", text)
    assert refused.value.message.startswith("setting keys: ")
    for words in reported:
        assert words in refused.value.message


def test_every_action_can_have_every_free_key() -> None:
    for action in NAMES:
        assert parse_keys(f"{action}=f11")[action] == "f11"


def test_bad_keys_of_the_environment_stop_nothing() -> None:
    """The screen tells them; a command that draws no screen does not wait for them."""
    assert load({}, environment={"SHIMFIT_KEYS": "und=q"}).keys == "und=q"
    assert load({"keys": "help=f9"}, environment={}).keys == "help=f9"
    assert Settings().keys == ""
