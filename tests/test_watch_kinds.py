"""The registry of kinds of exceptions: nothing without words, action, owner and severity."""

from __future__ import annotations

import pytest
from small_plant import PLANT_TOML

from pressstats.plant import Plant, read_plant
from pressstats.watch.kinds import KINDS, action_of, kind_of, owner_of


@pytest.fixture
def plant(tmp_path) -> Plant:
    (tmp_path / "plant.toml").write_text(
        PLANT_TOML
        + '\n[owners]\nstandby_test = "shift electrician, desk 12"\nstart_up_waste = "press lead"\n'
    )
    return read_plant(tmp_path / "plant.toml")


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_has_words_an_action_an_owner_and_a_severity(name: str, plant: Plant) -> None:
    kind = KINDS[name]
    assert kind.name == name and kind.words[0].isupper()
    assert kind.severity in range(1, 6) and kind.within_days >= 1
    assert kind.state in ("act", "watch") and kind.cost_basis in ("", "to date", "a year")
    for action in (kind.action, kind.action_below or kind.action):
        assert "{subject}" in action and not action.endswith(".")
        # A sentence under about 25 words (the subject counts as one).
        assert len(action.split()) <= 25 and action.format(subject="P1")
    assert owner_of(plant, name) and kind.desk


def test_owners_of_the_plant_stand_before_the_desks(plant: Plant) -> None:
    assert owner_of(plant, "standby test") == "shift electrician, desk 12"
    assert owner_of(plant, "start-up waste") == "press lead"
    assert owner_of(plant, "butts") == KINDS["butts"].desk


def test_less_waste_or_ink_is_not_treated_as_more() -> None:
    for name in ("start-up waste", "running waste", "ink use", "ink change", "ink step", "unexplained paper"):
        assert action_of(name, -1.0) != action_of(name, 1.0) == KINDS[name].action
    assert "routine" not in action_of("start-up waste", -1.0)
    assert "routine" in action_of("start-up waste", 1.0)
    assert action_of("standby test", float("nan")) == KINDS["standby test"].action


def test_what_can_hurt_somebody_has_its_caution() -> None:
    for name in (
        "standby test",
        "butts",
        "breaking stand",
        "running waste",
        "ink leak",
        "days of stock high",
    ):
        assert kind_of(name).caution


def test_a_kind_that_is_not_registered_is_an_error() -> None:
    with pytest.raises(KeyError, match=r"watch/kinds\.py"):
        kind_of("something else")


def test_keys_of_owners_are_unlike() -> None:
    assert len({kind.key for kind in KINDS.values()}) == len(KINDS)
    assert KINDS["days of stock low"].key == "days_of_stock_low"
