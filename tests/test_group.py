"""How plants of a group are compared: adjusted for what they print, and suppliers over all of them."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from pressstats.group import (
    Outcome,
    PlantOf,
    compared_breaks,
    compared_costs,
    compared_waste,
    read_group,
    shrunk_effects,
)
from pressstats.group.published import group_tables
from pressstats.group.standard import LEAST_SPELLS
from pressstats.plant import PlantError

STREAMS = [
    "startup_kg",
    "running_kg",
    "uncounted_kg",
    "strip_kg",
    "reel_end_kg",
    "scrapped_kg",
    "unexplained_kg",
]


def plant_runs(
    seed: int, *, factor: float = 1.0, webs: int = 2, weeks: int = 52, copies: float = 30_000.0
) -> pd.DataFrame:
    """Runs of a plant: 600 copies a start, 100 more a further web, 20 kg a tonne, times a factor; weeks move as one."""
    random = np.random.default_rng(seed)
    count = 3 * weeks
    good = copies * random.uniform(0.5, 1.5, count)
    threaded = random.integers(1, webs + 1, count).astype(float)
    copy_kg = 0.06 * threaded
    week = np.repeat(np.exp(random.normal(0, 0.05, weeks)), 3)
    noise = week * np.exp(random.normal(0, 0.15, count))
    startup = factor * copy_kg * (600 + 100 * (threaded - 1)) * noise
    running = factor * 0.02 * good * copy_kg * noise
    zero = np.zeros(count)
    return pd.DataFrame(
        {
            "date": pd.Timestamp("2025-10-26")
            - pd.to_timedelta(7 * np.repeat(np.arange(weeks), 3)[::-1], unit="D"),
            "copies_good": good,
            "webs": threaded,
            "good_kg": good * copy_kg,
            **dict.fromkeys(STREAMS, zero),
            "startup_kg": startup,
            "running_kg": running,
        }
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('name = "G"\n[group]\nA = "a"', "'A' is no short name"),
        ('name = "G"\n[group]\na = "x"\nb = "x"', "x is the folder of two plants"),
        ('name = "G"\n[group]\na = " "', "a has no folder"),
        ('nam = "G"\n[group]\na = "a"', "nam: unknown key; did you mean 'name'?"),
        ('name = "G"\n[group]', "group: Dictionary should have at least 1 item"),
    ],
)
def test_a_group_that_cannot_be_is_refused(tmp_path, text, said):
    (tmp_path / "plant.toml").write_text(text)
    with pytest.raises(PlantError, match=said.replace("?", r"\?")):
        read_group(tmp_path / "plant.toml")


def test_a_plant_is_no_group(tmp_path):
    (tmp_path / "plant.toml").write_text('name = "P"\ntimezone = "Etc/UTC"\ncurrency = "EUR"\n')
    assert read_group(tmp_path / "plant.toml") is None


def test_effects_are_drawn_together_as_in_the_eight_schools():
    # Gelman et al., Bayesian Data Analysis, section 5.5, tables 5.2 and 5.3: estimates, errors, and posterior means
    # and 95 % limits, which are of 200 draws there (from memory).
    effect = np.array([28.0, 8, -3, 7, -1, 1, 18, 12])
    error = np.array([15.0, 10, 16, 11, 9, 11, 10, 18])
    shrunk = shrunk_effects(effect, error, 100.0)
    assert shrunk["mean"].to_numpy() == pytest.approx([11.4, 7.9, 6.1, 7.6, 5.1, 6.1, 10.7, 8.5], abs=0.15)
    assert shrunk.loc[0, ["low", "high"]].to_numpy() == pytest.approx([-2, 31], abs=1)
    assert shrunk.loc[4, ["low", "high"]].to_numpy() == pytest.approx([-9, 17], abs=1.5)


def test_one_effect_keeps_its_own_estimate():
    shrunk = shrunk_effects(np.array([0.2]), np.array([0.1]), 0.5).loc[0]
    assert shrunk.to_numpy() == pytest.approx([0.2, 0.2 - 1.96 * 0.1, 0.2 + 1.96 * 0.1], abs=1e-3)


def test_ratios_and_their_errors_are_those_of_a_general_library():
    """Of plants with one web and one weight of copy, and no waste at starts, the model is a Poisson regression."""
    plants = {}
    for number, name in enumerate(("a", "b", "c")):
        runs = plant_runs(number, webs=1, factor=(1.0, 1.1, 1.2)[number])
        plants[name] = runs.assign(startup_kg=0.0)
    compared = compared_waste(plants, "running waste")
    rows = pd.concat([runs.assign(plant=name) for name, runs in plants.items()], ignore_index=True)
    spell = (rows["date"].max() - rows["date"]).dt.days // 28
    cluster = pd.factorize(rows["plant"] + spell.astype(str))[0]
    dummies = pd.get_dummies(rows["plant"]).astype(float)
    fit = sm.GLM(
        rows["running_kg"], dummies, offset=np.log(rows["good_kg"]), family=sm.families.Poisson()
    ).fit(cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False})
    waste = compared.waste.set_index("plant")
    apart = np.log(waste["ratio"]) - np.log(waste["ratio"].iloc[0])
    # A term at starts may take part of it; it is worth nothing here.
    assert apart.to_numpy() == pytest.approx((fit.params - fit.params.iloc[0]).to_numpy(), abs=0.01)
    share = waste["actual_kg"] / waste["actual_kg"].sum()
    away = np.eye(3) - share.to_numpy()
    count = spell.nunique()
    error = np.sqrt(np.diag(away @ fit.cov_params().to_numpy() @ away.T) * count / (count - 1))
    assert waste["std_error"].to_numpy() == pytest.approx(error, rel=0.1)


def test_plants_are_adjusted_for_what_they_print():
    """One plant runs thick papers in short runs: it wastes more by far, and is as good as the other."""
    plants = {"long": plant_runs(1, copies=60_000), "short": plant_runs(2, webs=4, copies=6_000)}
    waste = compared_waste(plants, "all waste").waste.set_index("plant")
    raw = {name: runs[STREAMS].sum().sum() / runs["good_kg"].sum() for name, runs in plants.items()}
    assert raw["short"] > 2.5 * raw["long"]
    assert waste["ratio"].to_numpy() == pytest.approx([1, 1], abs=0.06)
    assert set(waste["state"]) == {"not told apart"}


def test_a_plant_that_wastes_more_is_told_and_by_how_much():
    plants = {"a": plant_runs(1), "b": plant_runs(2, factor=1.25), "c": plant_runs(3, webs=4)}
    compared = compared_waste(plants, "all waste")
    waste = compared.waste.set_index("plant")
    assert waste.loc["b", "state"] == "more than the group"
    assert waste.loc["b", "adjusted"] / waste.loc[["a", "c"], "adjusted"].mean() == pytest.approx(
        1.25, abs=0.05
    )
    assert waste["actual_kg"].sum() == pytest.approx(waste["expected_kg"].sum())
    assert (waste["ci_low"] < waste["adjusted"]).all()
    # What a start and a web are worth is found again, at the level of the group.
    level = waste["actual_kg"].sum() / (waste["actual_kg"] / [1, 1.25, 1]).sum()
    terms = compared.standard.set_index("term")
    known = pd.Series({"start": 600.0, "each further web": 100.0, "good copies": 20.0})
    off = (terms["estimate"] - level * known[terms.index]).abs() / terms["std_error"]
    assert (off < 3).all()
    assert terms["std_error"].lt([60, 60, 2]).all()


def test_few_plants_are_named_by_chance():
    """Three of 60 groups of equal plants may name one, as is promised; more than 8 come by chance in 1 of 300 tries."""
    named = 0
    for group in range(60):
        plants = {str(plant): plant_runs(100 * group + plant, webs=plant + 1) for plant in range(4)}
        named += bool((compared_waste(plants, "all waste").waste["state"] != "not told apart").any())
    assert named <= 8


def test_too_little_is_not_compared_and_says_so():
    few = plant_runs(3, weeks=4 * (LEAST_SPELLS - 1))
    unknown = plant_runs(4).assign(strip_kg=np.nan)
    compared = compared_waste(
        {"a": plant_runs(1), "b": plant_runs(2), "few": few, "no": unknown}, "all waste"
    )
    assert list(compared.waste["plant"]) == ["a", "b"]
    assert compared.left_out == {
        "few": "all waste is known of fewer than 24 weeks",
        "no": "all waste is known of less than half of its paper",
    }
    # Scrap that nobody weighs is in what is unexplained.
    scrap = compared_waste({"a": plant_runs(1).assign(scrapped_kg=np.nan), "b": plant_runs(2)}, "all waste")
    assert len(scrap.waste) == 2
    alone = compared_waste({"a": plant_runs(1)}, "all waste").waste.iloc[0]
    assert (alone["ratio"], alone["state"]) == (1.0, "not told apart")


def breaks(**suppliers: tuple[int, int]) -> pd.DataFrame:
    """The table of breaks of a plant: reels and breaks of each supplier."""
    rows = [("supplier", name, *counts) for name, counts in suppliers.items()]
    return pd.DataFrame([*rows, ("press", "P1", 9999, 9999)], columns=["by", "level", "reels", "breaks"])


def test_breaks_are_those_of_a_poisson_regression_on_plant_and_supplier():
    plants = {"a": breaks(X=(4000, 120), Y=(1000, 15)), "b": breaks(X=(500, 40), Y=(3000, 120), Z=(900, 30))}
    found = compared_breaks(plants).set_index("supplier")
    cells = pd.concat([table[table["by"] == "supplier"].assign(plant=name) for name, table in plants.items()])
    design = pd.get_dummies(cells[["plant", "level"]], drop_first=True).astype(float)
    fit = sm.GLM(
        cells["breaks"], sm.add_constant(design), offset=np.log(cells["reels"]), family=sm.families.Poisson()
    ).fit()
    assert found.loc["Y", "ratio"] / found.loc["X", "ratio"] == pytest.approx(np.exp(fit.params["level_Y"]))
    assert found["actual"].sum() == pytest.approx(found["expected"].sum())
    assert found.loc["X", "state"] == "more than the others"


def test_a_supplier_of_one_plant_is_never_named_and_a_lone_one_never_compared():
    plants = {
        "a": breaks(X=(4000, 120), Y=(4000, 40)),
        "b": breaks(Y=(4000, 40), Z=(4000, 44)),
        "alone": breaks(X=(4000, 4000)),
    }
    found = compared_breaks(plants).set_index("supplier")
    assert found.loc["X", "p_value"] < 0.001
    assert found.loc["X", "state"] == "not told apart"
    assert found.loc["X", "actual"] == 120
    assert compared_breaks({"alone": breaks(X=(4000, 40))}).empty


def test_breaks_that_differ_from_plant_to_plant_name_nobody():
    """What makes a supplier worse in two plants and better in two is not its paper."""
    bad, good = (
        breaks(X=(4000, 140), Y=(4000, 60), Z=(4000, 100)),
        breaks(X=(4000, 70), Y=(4000, 110), Z=(4000, 90)),
    )
    found = compared_breaks({"a": bad, "b": good, "c": bad, "d": good})
    assert set(found["state"]) == {"not told apart"}
    alike = compared_breaks(dict.fromkeys("abcd", breaks(X=(4000, 105), Y=(4000, 75), Z=(4000, 100))))
    assert (alike["ci_high"] - alike["ci_low"]).max() < (found["ci_high"] - found["ci_low"]).min()


def record(costs: dict[tuple[str, str], float], half: float = 6.0) -> pd.DataFrame:
    """The supplier record of a plant: true cost by supplier and material, with half the 95 % interval."""
    rows = [(*pair, cost, cost - half, cost + half) for pair, cost in costs.items()]
    columns = ["supplier", "material", "true_cost_per_t", "true_ci_low", "true_ci_high"]
    return pd.DataFrame(rows, columns=columns)


def test_true_costs_are_compared_within_plants_whatever_their_currency():
    euro = record({("X", "N45"): 714.0, ("Y", "N45"): 700.0, ("Y", "N52"): 900.0})
    crown = record(
        {("X", "N45"): 7140.0, ("Y", "N45"): 7000.0, ("X", "N52"): 9180.0, ("Y", "N52"): 9000.0}, 60
    )
    found = compared_costs({"a": euro, "b": crown}).set_index("supplier")
    assert found.loc["X", "ratio"] / found.loc["Y", "ratio"] == pytest.approx(1.02, abs=1e-6)
    assert found.loc["X", "state"] == "more than the others"
    assert list(found["size"]) == [3, 3]
    assert compared_costs({"a": record({("X", "N45"): 714.0})}).empty


def test_suppliers_are_one_whatever_capitals_and_blanks_and_money_has_an_interval():
    def plant(name: str, supplier: str, factor: float) -> PlantOf:
        runs = plant_runs(len(name), factor=factor)
        cost = pd.DataFrame(
            {"period": ["weeks_13"], "stream": ["strip"], "kind": ["white"], "kg": [10.0], "cost": [7.0]}
        )
        table = breaks(**{supplier: (4000, 120), "Y": (4000, 60)})
        tables = {"run_record": runs, "breaks": table, "supplier_record": record({}), "waste_cost": cost}
        return PlantOf(Outcome(name, "published", "2025-10-26"), name.upper(), "EUR", "", tables)

    failed = PlantOf(Outcome("gone", "failed", "", "no such folder"))
    tables = group_tables([plant("one", "North Mill", 1.3), plant("three", "NORTH  mill", 1.0), failed])
    assert list(tables["group_suppliers"]["supplier"]) == ["North Mill", "Y"]
    assert tables["group_plants"].set_index("plant").loc["gone", "why"] == "no such folder"
    row = tables["group_waste"].query("plant == 'one' and measure == 'all waste'").iloc[0]
    assert row["beyond_kg"] == pytest.approx(row["actual_kg"] * (1 - 1 / row["adjusted"]))
    assert row["beyond_cost"] == pytest.approx(0.7 * row["beyond_kg"])
    assert row["beyond_low"] < row["beyond_cost"] < row["beyond_high"]
