"""The refusals that every formula shares."""

import math

import pytest

from shimfit.errors import EntryError, Exit, finite, not_negative, positive


@pytest.mark.parametrize("check", [finite, positive, not_negative])
@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused_by_name(check, bad):
    with pytest.raises(EntryError, match=r"The height is (nan|inf|-inf), which isn't a number") as refused:
        check(bad, "height")
    assert refused.value.exit_code is Exit.REFUSED


def test_zero_and_below():
    assert finite(-2, "offset") == -2.0
    assert not_negative(0, "hole") == 0.0
    assert positive(1e-12, "height") == 1e-12
    with pytest.raises(EntryError, match="The height is 0 mm; it must be more than 0"):
        positive(0, "height")
    with pytest.raises(EntryError, match="The hole is -1 mm; it can't be less than 0"):
        not_negative(-1, "hole")
    with pytest.raises(EntryError, match="The take-up is -1; it must"):
        positive(-1, "take-up", "")
