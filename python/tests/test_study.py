"""The functions that take a study: the tables are the program's, the figures are SVG, the faults name their column."""

import html.parser
import stat
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest
from conftest import DEMO, gompertz, same_table, simulated

import pinfeather
from pinfeather import _frames

TARGETS = pd.DataFrame(
    [
        (strain, age, gompertz(age, 1650, 0.03, 50), 0.97 * gompertz(age, 1650, 0.03, 50), 1.03 * gompertz(age, 1650, 0.03, 50))
        for strain in ("Alder", "Birch")
        for age in np.linspace(1.0, 155.0, 12)
    ],
    columns=["strain", "age_d", "target_g", "lower_g", "upper_g"],
)  # fmt: skip


def eggs_of(weighings):
    random = np.random.default_rng(5)
    birds = weighings.bird.unique()
    laid = (145 + 5 * random.normal(size=len(birds))).round()
    return pd.DataFrame({"bird": birds, "first_egg_age_d": np.where(laid > 152, np.nan, laid), "last_seen_age_d": 155.0})


def same_tables(ours, theirs, names):
    for name in names:
        same_table(ours.tables[name], theirs[name])


def test_a_population_is_the_programs(weighings, program, tmp_path):
    weighings.to_csv(tmp_path / "data.csv", index=False)
    fit = ("fit", tmp_path / "data.csv", "--level", "population", "--curve", "gompertz", "--at-age", "126")
    theirs = program(*fit)
    for frame in (weighings, pl.from_pandas(weighings), tmp_path / "data.csv"):
        ours = pinfeather.fit_population(frame, "gompertz", at_age=126)
        same_tables(ours, theirs, ["answers", "curve_terms", "curve_fits", "curves", "residuals", "model_choice"])
    theirs = program(*fit, "--random", "A,k", "--covariance", "full", "--variance", "proportional", "--estimator", "laplace")
    options = {"random": ["A", "k"], "covariance": "full", "variance": "proportional", "estimator": "laplace"}
    ours = pinfeather.fit_population(weighings, "gompertz", at_age=126, **options)
    same_tables(ours, theirs, ["answers", "curve_terms", "curve_fits"])
    terms = ours.tables["curve_terms"]
    assert terms.schema.field("estimate").metadata[b"meaning"]
    assert ours.tables["curves"].schema.field("fitted").metadata[b"unit"] == b"g"


def test_a_deviation_is_the_programs(weighings, program, tmp_path):
    weighings.to_csv(tmp_path / "data.csv", index=False)
    TARGETS.to_csv(tmp_path / "targets.csv", index=False)
    target = ("target", tmp_path / "data.csv", "--targets", tmp_path / "targets.csv", "--curve", "gompertz")
    theirs = program(*target, "--back-by", "170")
    ours = pinfeather.deviation(weighings, TARGETS, back_by=170)
    same_tables(ours, theirs, ["deviation", "uniformity"])
    assert "forecast" not in ours.tables
    ahead = pinfeather.deviation(weighings, TARGETS, back_by=170, forecast=True, as_of=100, curve="gompertz", figures=True)
    theirs = program(*target, "--back-by", "170", "--as-of", "100")
    same_tables(ahead, theirs, ["answers", "deviation", "forecast"])
    assert ahead.figures["deviation_body_weight"].svg.startswith("<svg")
    with pytest.raises(ValueError, match="targets: found none"):
        pinfeather.deviation(weighings)


def test_first_eggs_are_the_programs(weighings, program, tmp_path):
    weighings.to_csv(tmp_path / "data.csv", index=False)
    eggs_of(weighings).to_csv(tmp_path / "eggs.csv", index=False)
    onset = ("onset", tmp_path / "data.csv", "--onset", tmp_path / "eggs.csv", "--curve", "gompertz")
    ours = pinfeather.first_egg(weighings, eggs_of(weighings), curve="gompertz")
    theirs = program(*onset)
    same_tables(ours, theirs, set(ours.tables))
    assert "age_in_lay_50pct" in ours.answers.column("quantity").to_pylist()


def test_equations_and_masses_are_the_programs(program, tmp_path):
    ours = pinfeather.calibrate(DEMO)
    theirs = program("calibrate", DEMO, "--save", tmp_path / "equations")
    same_tables(ours, theirs, set(ours.tables))
    assert set(ours.equations) == {"fat", "lean", "bone", "feather_mass"}
    corrected = pinfeather.correct(DEMO, ours)
    theirs = program("correct", DEMO, "--equation", tmp_path / "equations")
    same_tables(corrected, theirs, ["corrected"])
    frames = {name: pd.read_csv(DEMO / f"{name}.csv", dtype={"bird": str}) for name in ("birds", "scans")}
    settings = {"scans": {"group_masses": "total", "mass_tolerance_pct": 10.0, "reject": ["movement"]}}
    again = pinfeather.correct(frames, ours.save_equations(tmp_path / "saved"), settings=settings)
    assert again.tables["corrected"].num_rows == corrected.tables["corrected"].num_rows
    with pytest.raises(ValueError, match="equations: found none"):
        pinfeather.correct(frames, settings=settings)
    pairs = pd.DataFrame({"bird": range(20), "fat_scan": np.linspace(20, 200, 20)})
    pairs["fat_chem"] = 5 + 0.9 * pairs.fat_scan + np.tile([1.0, -1.0, 0.5, -0.5], 5)
    line = pinfeather.calibrate(pairs, "fat_chem", "fat_scan").tables["calibration_terms"].to_pandas()
    slope = np.polyfit(pairs.fat_scan, pairs.fat_chem, 1)
    np.testing.assert_allclose(line.estimate[:2], slope[::-1], rtol=1e-9)


def frames():
    weighings = simulated(12)
    birds = weighings[["bird", "strain"]].drop_duplicates()
    eggs = eggs_of(weighings)
    tables = {"birds": birds, "weighings": weighings.drop(columns="strain"), "targets": TARGETS, "onset": eggs}
    return tables, {"name": "invented", "fit": {"curves": ["gompertz"]}, "ages": {"transfer": 112}}


def test_a_whole_study_is_the_programs(program, tmp_path):
    tables, settings = frames()
    study = _frames.write_study(tables, settings, tmp_path)
    theirs = program("run", study)
    ours = pinfeather.analyse(tables, settings=settings)
    assert set(ours.tables) == set(theirs) - {"dictionary"}
    same_tables(ours, theirs, set(ours.tables))
    folder = pinfeather.analyse(str(study), figures=False)
    assert {name: table.to_pydict() for name, table in folder.tables.items()} == {
        name: table.to_pydict() for name, table in ours.tables.items()
    }
    assert not folder.figures


class Balanced(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.open = []

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_figures_show_in_a_notebook(tmp_path):
    tables, settings = frames()
    found = pinfeather.analyse(tables, settings=settings)
    assert "growth_body_weight" in found.figures
    for shown in (found, found.figures, found.figures["growth_body_weight"]):
        page = shown._repr_html_()
        parser = Balanced()
        parser.feed(page)
        assert "<svg" in page and not [tag for tag in parser.open if tag in ("svg", "figure")]
    found.figures["growth_body_weight"].save(tmp_path / "growth.svg")
    assert (tmp_path / "growth.svg").read_text().startswith("<svg")
    assert "answers" in repr(found) and "growth_body_weight" in repr(found.figures)


def test_the_demo_study_has_answers_and_figures():
    found = pinfeather.analyse(DEMO)
    answers = found.answers.to_pandas()
    masses = answers[(answers.quantity == "typical_mass") & (answers.trait == "fat")]
    assert len(masses) and (masses.estimate > 0).all()
    assert {"corrected", "contrasts", "deviation", "onset_forecast"} <= set(found.tables)
    assert len(found.figures) > 10


def test_faults_name_file_row_and_column(weighings):
    with pytest.raises(ValueError) as fault:
        pinfeather.fit_population(weighings.assign(weight_g=weighings.weight_g.astype(str).where(weighings.index != 3, "heavy")))
    assert str(fault.value).startswith('data.csv, row 5, column weight_g: found "heavy", expected a mass')
    with pytest.raises(ValueError, match="column grams: not found among strain, bird, age_d, weight_g"):
        pinfeather.fit_population(weighings, value="grams")
    with pytest.raises(ValueError, match="table weights: found among the tables, expected names among birds"):
        pinfeather.analyse({"weights": weighings})
    with pytest.raises(ValueError, match='variance: found "steady", expected one of constant'):
        pinfeather.fit_population(weighings, variance="steady")
    with pytest.raises(ValueError, match="fixed_by: found pen and no pen in the tables"):
        pinfeather.fit_population(weighings, fixed_by="pen")
    with pytest.raises(ValueError, match="confidence"):
        pinfeather.fit_population(weighings, confidence=2)
    with pytest.raises(ValueError, match="column scan: found type List"):
        pinfeather.analyse(pa.table({"bird": ["a"], "scan": [[1.0]]}))
    with pytest.raises(ValueError, match="bird: found with a study of several tables"):
        pinfeather.analyse(DEMO, bird="ring")


def test_frames_are_written_to_the_last_digit_and_read_by_nobody_else(monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    frame = pd.DataFrame(
        {
            "x": [0.1 + 0.2, 1e-300, 12345678901234567.0, np.nan],
            "when": pd.to_datetime(["2026-03-01", "2026-03-02", None, "2026-03-04"]),
            "moment": pd.to_datetime(["2026-03-01 12:30", None, None, None]),
            "n": pd.array([1, None, 3, 4], "Int64"),
            "words": ['a,"b"', "ä\nö", None, ""],
        }
    )
    with _frames.private_folder() as folder:
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        path = _frames.write(frame, folder / "x.csv")
        back = pd.read_csv(path, dtype={"x": str})
        assert [float(x) for x in back.x[:3]] == list(frame.x[:3]) and back.isna().x[3]
        assert list(back.when[:2]) == ["2026-03-01", "2026-03-02"]
        assert back.moment[0] == "2026-03-01T12:30:00"
        assert list(back.words[:2]) == list(frame.words[:2])
    assert not list(Path(tmp_path).iterdir())
