"""The command that chooses: what it prints, where it goes, and what it refuses."""

import csv
import json
import re
from pathlib import Path

import pytest
from commands import refused

import encsim
from encsim import InputError
from encsim.__main__ import main
from encsim.decisions import candidate_reader

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
# Without the converter, whose tables take their time.
STAGE = (EXAMPLES / "stage_x.toml").read_text().replace("\nbits = 12", "")
WANTED = '[requirement]\nspeeds = ["0.2 mm/s", "20 mm/s"]\nrelative = 0.02\nfloor = "60 um/s"\n'
LISTS = """[candidates]
interpolation.factor = [400, 4000, 10000]
estimator = ["difference 1, 8", "low-pass 300 Hz"]
[candidates.cost.price]
interpolation.factor = {400 = 10, 4000 = 30, 10000 = 45}
estimator = {"low-pass 300 Hz" = 1, "difference 1" = 0, "difference 8" = 0.5}
"""
FACTORS = ["--try", "interpolation.factor=400, 4000, 10000"]


@pytest.fixture(autouse=True)
def files(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("axis.toml").write_text(STAGE)
    Path("limits.toml").write_text(WANTED)
    Path("lists.toml").write_text(LISTS)
    Path("whole.toml").write_text(STAGE + WANTED + LISTS)


def output(capsys, *argv, code=0):
    assert main(["choose", *argv]) == code
    return capsys.readouterr().out


def test_answer_comes_first_with_the_best_what_binds_and_where_finer_ends(capsys):
    out = " ".join(output(capsys, "whole.toml").split())
    found = choice()
    met = sum(row.met for row in found.rows)
    assert out.startswith(f"Best of 9 candidates, {met} of which meet all limits: factor ")
    assert ". Limited by " in out
    assert " counts per period the ripple falls by less than 10 %" in out


def choice():
    axis = encsim.loads(STAGE)
    requirement = encsim.requirements.loads(WANTED, axis=axis)
    return encsim.choose(axis, requirement, *candidate_reader.loads(LISTS, axis))


def test_json_is_the_library_result(capsys):
    assert json.loads(output(capsys, "whole.toml", "--json")) == json.loads(json.dumps(choice().to_dict()))


@pytest.mark.parametrize(
    "argv",
    [
        ["axis.toml", "--requirement", "limits.toml", "--candidates", "lists.toml"],
        ["whole.toml", "--requirement", "limits.toml", "--quiet"],
    ],
)
def test_sections_may_stand_in_files_of_their_own(argv, capsys):
    found = json.loads(output(capsys, *argv, "--json"))
    assert found == json.loads(output(capsys, "whole.toml", "--json"))


def test_option_takes_the_place_of_a_list_of_the_file(capsys):
    found = json.loads(output(capsys, "axis.toml", "--requirement", "limits.toml", *FACTORS, "--json"))
    assert found["count"] == 3
    found = json.loads(output(capsys, "whole.toml", "--try", "estimator=difference 8", "--json"))
    assert (found["count"], len(found["costs"])) == (3, 1)


def test_axis_files_are_candidates_by_their_names(capsys):
    Path("fine.toml").write_text(STAGE.replace("factor = 4000", "factor = 10000"))
    found = json.loads(output(capsys, "axis.toml", "fine.toml", "--requirement", "limits.toml", "--json"))
    assert {row["name"] for row in found["rows"]} == {"axis", "fine"}
    assert "axis" in output(capsys, "axis.toml", "fine.toml", "--requirement", "limits.toml")


def test_table_and_picture_are_written(capsys):
    output(capsys, "whole.toml", "--csv", "all.csv", "--plot", "choice.svg")
    rows = list(csv.DictReader(Path("all.csv").read_text().splitlines()))
    assert [int(row["rank"]) for row in rows] == list(range(1, 10))
    assert "candidates fit" in Path("choice.svg").read_text()


def test_nothing_fits_is_status_1_with_the_nearest(capsys):
    argv = ["axis.toml", "--requirement", "limits.toml", "--set", "requirement.relative=0.0001", "--set",
            "requirement.floor=none", *FACTORS]  # fmt: skip
    assert main(["choose", *argv, "--json"]) == 1
    out, err = capsys.readouterr()
    found = json.loads(out)
    assert (found["best"], found["nearest"]) == (None, 0)
    assert "nothing fits; nearest: factor " in err
    assert "(limit 20.0 nm/s)" in err


def test_impossible_combinations_are_counted_and_named(capsys):
    argv = ["axis.toml", "--requirement", "limits.toml", "--try", "interpolation.output=ab"]
    out = output(capsys, *argv, "--try", "interpolation.factor=10000, 10001")
    assert "Impossible: 1 of 2." in out
    assert "multiple of 4" in out


def test_wrong_option_is_the_only_fault_told(capsys):
    argv = ["axis.toml", "--requirement", "limits.toml", "--try", "interpolation.faktor=4"]
    assert main(["choose", *argv]) == 2
    err = capsys.readouterr().err
    assert re.fullmatch(r"encsim: --try interpolation\.faktor must be a key .*\n", err)


def test_progress_goes_to_stderr_alone(capsys, monkeypatch):
    monkeypatch.setattr("encsim.cli.outputs.Progress.EVERY", 0.0)
    many = ",".join(str(n) for n in range(400, 428))
    main(
        [
            "choose",
            "axis.toml",
            "--requirement",
            "limits.toml",
            "--try",
            f"interpolation.factor={many}",
            "--json",
        ]
    )
    out, err = capsys.readouterr()
    json.loads(out)
    assert "screened 16 of 28 candidates" in err


@pytest.mark.parametrize(
    ("argv", "complaint"),
    [
        (["axis.toml", *FACTORS], "--requirement must be given, got nothing"),
        (["axis.toml", "--requirement", "limits.toml"], r"\[candidates\] must be given, got nothing; as in"),
        (["axis.toml", "--requirement", "no.toml", *FACTORS], 'file must exist, got "no.toml"'),
        (["axis.toml", "--requirement", "axis.toml", *FACTORS], r"axis.toml: \[requirement\] must be given"),
        (["whole.toml", "--limit", "8"], r"\[candidates\] must make at most 8 combinations, got \"9 combinations"),
        (["whole.toml", "--limit", "0"], "--limit must be a whole number from 1"),
        (["whole.toml", "--try", "interpolation.factor"], "--try must be KEY=value, value"),
        (["whole.toml", "--try", "interpolation.facto=3"], "--try interpolation.facto must .*did you mean interp"),
        (["whole.toml", "--try", "sampling.rate=3"], "--try sampling.rate must have a unit of frequency"),
        (["whole.toml", "--try", "estimator=differenc 3"], "must hold kinds of .*did you mean difference"),
        (["whole.toml", "--try", "interpolation.factor=4,4"], r"\[interpolation.factor\] must hold each value once"),
        (["whole.toml", "whole.toml", "--requirement", "limits.toml"], 'file must be named once, got "whole.toml"'),
        (["whole.toml", "axis.toml", *FACTORS], "--try must be left out with further axis files"),
        (["whole.toml", "--csv", "limits.toml", "--requirement", "limits.toml", "--force"],
         "--csv must differ from the file that is read"),
        (["whole.toml", "--set", "requirement.torque=1 N"], "requirement.torque must be left out for an axis without"),
    ],
)  # fmt: skip
def test_wrong_input_is_status_2_in_one_line(argv, complaint, tmp_path, capsys):
    assert re.search(complaint, refused(["choose", *argv], (), tmp_path, capsys))


@pytest.mark.parametrize(
    ("right", "wrong", "complaint"),
    [
        ("[400, 4000, 10000]", "4000", "line 2: candidates.interpolation.factor must be a list of values"),
        (
            "factor = [",
            "facto = [",
            "line 2: candidates.interpolation.facto.*did you mean interpolation.factor",
        ),
        (
            '"low-pass 300 Hz"]',
            '"low-pass 300 m"]',
            "line 3: candidates.estimator.* must have a unit of frequency",
        ),
        ("400 = 10", '400 = "10"', "line 5: candidates.cost.price.interpolation.factor.400 must be a number"),
        (
            "[candidates.cost.price]",
            "[candidates.cost]\nprice = 3\n[x]",
            "line 5: candidates.cost.price must be a table",
        ),
        ('"difference 1" = 0', '"differenc 1" = 0', "line 6: .*did you mean difference"),
        *(
            (
                "[candidates.cost.price]",
                f"[candidates.cost.price]\n{key} = {value}",
                f"line 5: .*price.{key} must be",
            )
            for key, value in [("base", '"a"'), ("bas", 3), ("bas", [1]), ("bas", "1979-05-27")]
        ),
    ],
)
def test_fault_of_the_lists_is_placed_by_its_line(right, wrong, complaint):
    with pytest.raises(InputError, match=complaint):
        candidate_reader.loads(LISTS.replace(right, wrong), encsim.loads(STAGE))


def test_none_leaves_a_value_out_and_pairs_are_read():
    text = '[candidates]\ninterpolation.bits = ["none", 12]\nsignal.offset = [[0, 0], [0.01, -0.005]]\n'
    lists, cost = candidate_reader.loads(text, encsim.loads(STAGE))
    assert lists == {"interpolation.bits": [None, 12], "signal.offset": [(0, 0), (0.01, -0.005)]}
    assert cost is None


def test_base_price_stands_beside_the_tables():
    text = LISTS.replace("[candidates.cost.price]", "[candidates.cost.price]\nbase = 100")
    price = candidate_reader.loads(text, encsim.loads(STAGE))[1]["price"]
    assert price["base"] == 100
    assert price["interpolation.factor"][400] == 10


def test_costs_are_read_by_value_and_by_name():
    more = '[candidates.cost]\n"sampling.rate" = {"8 kHz" = 1}\neffort = {coarse = 1, fine = 2}\n'
    _, cost = candidate_reader.loads(LISTS + more, encsim.loads(STAGE))
    assert cost["sampling.rate"] == {8e3: 1}
    assert cost["effort"] == {"coarse": 1, "fine": 2}
    assert cost["price"]["interpolation.factor"][4000] == 30


def test_examples_have_candidates_that_fit_and_some_that_do_not(capsys, cases):
    for name in cases(["stage_x"], ["stage_x", "table_r"]):
        argv = [f"{EXAMPLES / name}.toml", "--requirement", f"{EXAMPLES / name}_choice.toml"]
        out = output(capsys, *argv, "--candidates", f"{EXAMPLES / name}_choice.toml", "--json")
        found = json.loads(out)
        assert found["best"] == 0
        assert 0 < sum(row["met"] for row in found["rows"]) < found["count"]
        assert len(found["frontier"]) > 2
