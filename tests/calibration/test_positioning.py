import numpy as np
import pytest

from encsim import InputError
from encsim.calibration.positioning import bidirectional

# Two runs to two targets, in um; every figure below is worked out by hand from the definitions.
TARGET = [0.0, 1.0]
FORWARD = [[1.0, 4.0], [3.0, 4.0]]
BACKWARD = [[-1.0, 3.0], [-1.0, 5.0]]
ROOT2 = np.sqrt(2.0)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("forward", [2.0, 4.0]),
        ("backward", [-1.0, 4.0]),
        ("forward_deviation", [ROOT2, 0.0]),
        ("backward_deviation", [0.0, ROOT2]),
        ("mean", [0.5, 4.0]),
        ("reversal", [3.0, 0.0]),
        ("largest_reversal", 3.0),
        ("mean_reversal", 1.5),
        ("repeatability", [2.0 * ROOT2 + 3.0, 4.0 * ROOT2]),
        ("forward_repeatability", 4.0 * ROOT2),
        ("backward_repeatability", 4.0 * ROOT2),
        ("largest_repeatability", 2.0 * ROOT2 + 3.0),
        ("forward_systematic", 2.0),
        ("backward_systematic", 5.0),
        ("systematic", 5.0),
        ("mean_range", 3.5),
        ("forward_accuracy", 4.0 * ROOT2),
        ("backward_accuracy", 5.0 + 2.0 * ROOT2),
        ("accuracy", 5.0 + 2.0 * ROOT2),
    ],
)
def test_figure_is_that_of_iso_230_2_2014(name, value):
    # ISO 230-2:2014, definitions from memory: 2 s, divisor n - 1.
    np.testing.assert_allclose(getattr(bidirectional(TARGET, FORWARD, BACKWARD), name), value, rtol=1e-12)


def test_reversing_both_directions_changes_the_sign_of_reversal_only():
    rng = np.random.default_rng(1)
    up, down = rng.standard_normal((2, 5, 9))
    one, other = bidirectional(range(9), up, down), bidirectional(range(9), down, up)
    np.testing.assert_array_equal(one.reversal, -other.reversal)
    np.testing.assert_array_equal(one.repeatability, other.repeatability)
    for name in ("largest_reversal", "largest_repeatability", "systematic", "accuracy", "mean_range"):
        assert getattr(one, name) == getattr(other, name)


def test_a_full_test_is_valid_and_names_its_edition():
    rng = np.random.default_rng(2)
    found = bidirectional(range(5), *rng.standard_normal((2, 5, 5)))
    assert (found.valid, found.edition, found.runs) == (True, "ISO 230-2:2014", 5)
    assert found.to_dict()["units"]["accuracy"] == "m"
    assert found.to_csv_text().startswith("target_m,forward_m,backward_m,forward_deviation_m,")


def test_fewer_runs_or_targets_than_a_full_test_are_told():
    found = bidirectional(TARGET, FORWARD, BACKWARD)
    assert found.reasons == (
        "2 runs in each direction, where ISO 230-2:2014 asks for 5",
        "2 targets, where a full test has 5 or more",
    )


@pytest.mark.parametrize(
    ("target", "forward", "backward", "match"),
    [
        ([1.0, 0.0], FORWARD, BACKWARD, "bidirectional.target must rise, got .0 at index 1"),
        ([0.0], FORWARD, BACKWARD, "bidirectional.forward must have one column a target, 1, got 2"),
        (TARGET, FORWARD[:1], BACKWARD, "bidirectional.forward must hold two runs or more, got 1"),
        (
            TARGET,
            FORWARD,
            [*BACKWARD, BACKWARD[0]],
            "bidirectional.backward must have as many runs as forward, 2",
        ),
        (
            TARGET,
            FORWARD,
            [[0.0, np.nan], [0.0, 1.0]],
            "hold finite numbers only, got .nan in run 0, target 1",
        ),
        (TARGET, [1.0, 2.0], BACKWARD, "bidirectional.forward must be a table of real numbers"),
        ([0.0, np.inf], FORWARD, BACKWARD, "bidirectional.target must hold finite numbers only"),
    ],
)
def test_bad_runs_are_refused(target, forward, backward, match):
    with pytest.raises(InputError, match=match):
        bidirectional(target, forward, backward)
