"""Keys of one's own on the screen: they act, and they are what the screen says."""

from __future__ import annotations

from shimfit.model import PostState
from shimfit.tui.app import ShimfitApp
from shimfit.workflow.sample import write_sample
from shimfit.workflow.site import Site


async def test_a_key_of_ones_own_acts_and_is_shown(make_site, at_screen) -> None:
    site = make_site()
    site.set("keys", "undo=ctrl+u, help=f9, packed=f7, palette=f10")
    hand = await at_screen(80, 24, app=ShimfitApp(site))
    await hand.sees("F9 help", "^U undo", "F10 all")
    assert "F1 help" not in hand.screen()
    await hand.enter("9n5o")
    await hand.press("f7")
    assert hand.record.state is PostState.TIGHTEN
    await hand.press("ctrl+u")
    await hand.press("ctrl+u")
    assert hand.record.readings == ()
    await hand.press("ctrl+z", "f1", sees="F9 help")
    await hand.press("f9", sees="HELP")
    for _ in range(6):
        if "Packed as shown" in hand.screen():
            break
        await hand.press("pagedown")
    await hand.sees("F9 or ?", "^U ", "F7 ", "Packed as shown")
    await hand.press("f9", sees="F9 help")
    await hand.press("f10", sees="what to do: undo")


async def test_first_run_hints_name_the_key_that_is_set(make_site, at_screen) -> None:
    site = make_site(empty=True)
    site.set("keys", "go_setup=f8")
    hand = await at_screen(60, 24, app=ShimfitApp(site))
    await hand.sees("sets up a job", "F8: your own", "F8 own job")
    await hand.press("f8", sees="new run")


async def test_keys_that_can_t_be_are_told_and_the_usual_ones_work(tmp_path, at_screen) -> None:
    site = Site.open(tmp_path / "s.db", environment={"SHIMFIT_KEYS": "und=q"})
    write_sample(site)
    hand = await at_screen(80, 24, app=ShimfitApp(site))
    await hand.sees("KEYS are the usual ones; setting keys: there is no action 'und'", "F1 help")
    await hand.press("f1", sees="HELP")
    await hand.leave()
    site.close()


async def test_keys_are_set_on_the_screen_and_work_at_once(at_screen) -> None:
    hand = await at_screen(80, 30)
    await hand.press("f5")
    hand.page._change("keys")
    await hand.enter("undo=x", sees=("setting keys: undo=x can't be", "a key is f1"))
    await hand.enter("help=f9", sees="F9 help")
    await hand.press("f9", sees="HELP")
