"""The registry of kinds of exceptions: nothing without words, action, owner and severity."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from small_plant import PLANT_TOML

import pressstats.watch
from pressstats.ink import findings
from pressstats.plant import Plant, read_plant
from pressstats.tables import DESKS, MATTERS
from pressstats.watch import MEASURES, PLANNED, kinds
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
    assert kind.name == name
    assert kind.words[0].isupper()
    assert kind.severity in range(1, 6)
    assert kind.within_days >= 1
    assert kind.state in ("act", "watch")
    assert kind.cost_basis in ("", "to date", "a year", "by its end")
    for action in (kind.action, kind.action_below or kind.action):
        assert "{subject}" in action
        assert not action.endswith(".")
        # A sentence under about 25 words (the subject counts as one).
        assert len(action.split()) <= 25
        assert action.format(subject="P1")
    assert owner_of(plant, name)
    assert kind.desk


def test_owners_of_the_plant_stand_before_the_desks(plant: Plant) -> None:
    assert owner_of(plant, "standby test") == "shift electrician, desk 12"
    assert owner_of(plant, "start-up waste") == "press lead"
    assert owner_of(plant, "butts") == KINDS["butts"].desk
    named = plant.model_copy(
        update={"owners": {**plant.owners, "pressroom": "foreman", "shift_desk": "lead"}}
    )
    assert owner_of(named, "butts") == "foreman"
    assert owner_of(named, "start-up waste") == "press lead"
    assert owner_of(named, "log gap") == "lead"
    assert owner_of(named, "log gap", "desk 9") == "desk 9"


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


def test_owners_may_be_named_for_every_kind_and_for_no_other() -> None:
    assert set(MATTERS) == {kind.key for kind in (*KINDS.values(), *PLANNED.values())}
    assert len(set(MATTERS)) == len(MATTERS)
    # What a desk is asked may be asked of somebody by name; who is named for a kind stands before that.
    assert {kind.desk.replace(" ", "_") for kind in (*KINDS.values(), *PLANNED.values())} == set(DESKS)


def test_keys_of_owners_are_unlike_and_no_kind_stands_twice() -> None:
    assert len(kinds._ALL) == len(KINDS)
    assert len({kind.key for kind in KINDS.values()}) == len(KINDS)
    assert KINDS["days of stock low"].key == "days_of_stock_low"


# --- completeness ------------------------------------------------------------------------------

WATCH = Path(pressstats.watch.__file__).parent
#: Kinds that code makes up: what the words between the braces can be.
MADE_UP = {
    "ink {}": {"misread dip", "step", "drift", "leak", "change"},
    "{words}": {words for _, words in MEASURES.values()},
    "{kind}": {"web breaks", "breaking stand", "stock-out risk", "nothing on order"},
}


def raised_kinds(path: Path) -> set[str]:
    """Return the kinds that a module raises: the literal ones, and what the others can become."""
    found: set[str] = set()
    tree = ast.parse(path.read_text())
    # raised(logs, kind, ...); what is made by partial(raised, logs, ...) has the kind first.
    shorter = {
        node.targets[0].id
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Call)
        and getattr(node.value.func, "id", "") == "partial"
        and getattr(node.value.args[0], "id", "") == "raised"
    }
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or getattr(node.func, "id", "") not in {"raised", "_row", *shorter}:
            continue
        kind = node.args[0 if getattr(node.func, "id", "") in shorter else 1]
        if isinstance(kind, ast.Constant):
            found.add(str(kind.value))
        elif isinstance(kind, ast.IfExp):
            # A lasting change has its own kind; else the kind of a finding.
            found |= {"film weight change"} | {f"ink {word}" for word in MADE_UP["ink {}"]}
        elif isinstance(kind, ast.JoinedStr):
            shape = "".join(part.value if isinstance(part, ast.Constant) else "{}" for part in kind.values)
            found |= {shape.replace("{}", word) for word in MADE_UP[shape]}
        elif isinstance(kind, ast.Name):
            found |= MADE_UP["{" + kind.id + "}"]
        # str(kind) of a row of ``exceptions`` was raised before.
    return found


def test_every_kind_that_code_raises_is_registered_and_every_one_registered_is_raised() -> None:
    found = set().union(*(raised_kinds(path) for path in sorted(WATCH.glob("*.py"))))
    assert found == set(KINDS) | set(PLANNED)


def test_every_kind_of_ink_finding_has_its_words() -> None:
    from pressstats.watch import process_exceptions

    # The kinds that the search for findings can name, as its own table lists them.
    documented = re.findall(
        r"^(?:``)?(misread dip|step|drift|leak)(?:``)?  ", findings.__doc__ or "", re.MULTILINE
    )
    found = {*documented, "change"}
    assert found == MADE_UP["ink {}"]
    assert found <= {*process_exceptions._WORDS, "step"}


#: What is itself not known, and what no figure of the week is about: money that is claimed, what the store lost outside
#: the paper balance, what there is much of beside the shortest days of stock.
NO_FIGURE = ("stock unknown", "contract", "claim", "store losses", "days of stock high")


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_concerns_a_figure_or_is_itself_what_is_not_known(name: str) -> None:
    figures = {
        "waste",
        "paper mounted",
        "web breaks",
        "butts",
        "ink use",
        "days of stock",
        "standby",
        "logs",
    }
    assert KINDS[name].figure in figures or name in NO_FIGURE
    assert set(KINDS[name].part.split()) <= {"paper", "ink", "demand"}
