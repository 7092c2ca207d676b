"""Results as plain values and as tables."""

import csv
import dataclasses
import io
import json
import math

import numpy as np
import pytest

import encsim
from encsim.results import Series


@dataclasses.dataclass(frozen=True, eq=False)
class Sample(Series):
    """A made-up result with a field of every sort."""

    speed: np.ndarray
    parts: dict
    names: np.ndarray
    count: np.int64
    loose: float = math.inf
    turned: complex = 1 + 2j
    axis: object = dataclasses.field(default=None, metadata={"plain": False})
    valid: bool = True
    reasons: tuple = ("because",)
    units = {"speed": "m/s", "parts": "m/s", "loose": "1", "turned": "rad"}  # noqa: RUF012


SAMPLE = Sample(
    np.array([1.0, np.nan]),
    {"jitter": np.array([0.1, 1 / 3]), "sde": np.array([1e-300, 2.0])},
    np.array(["a", "b,c"]),
    np.int64(3),
)


def test_plain_values_are_json_with_null_for_what_is_not_finite():
    plain = SAMPLE.to_dict()
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    assert plain == {
        "kind": "Sample", "version": encsim.__version__, "units": Sample.units, "speed": [1.0, None],
        "parts": {"jitter": [0.1, 1 / 3], "sde": [1e-300, 2.0]}, "names": ["a", "b,c"], "count": 3, "loose": None,
        "turned": [1.0, 2.0], "valid": True, "reasons": ["because"],
    }  # fmt: skip


@pytest.mark.parametrize(
    "value", [np.float32(0.5), np.bool_(True), np.str_("x"), np.float64("nan"), (1, [2.0, math.inf])]
)
def test_any_numpy_scalar_and_any_nest_is_plain(value):
    json.dumps(dataclasses.replace(SAMPLE, loose=value).to_dict(), allow_nan=False)


def test_a_table_has_a_column_per_array_and_its_unit_in_the_header():
    rows = list(csv.reader(io.StringIO(SAMPLE.to_csv_text())))
    assert rows == [
        ["speed_m_s", "jitter_m_s", "sde_m_s", "names"],
        ["1.0", "0.1", "1e-300", "a"],
        ["nan", repr(1 / 3), "2.0", "b,c"],
    ]


def test_a_table_is_written_to_a_file_over_an_older_one(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("old")
    SAMPLE.to_csv(path)
    assert path.read_text() == SAMPLE.to_csv_text()


def test_columns_of_different_lengths_are_no_table():
    with pytest.raises(ValueError, match="longer"):
        dataclasses.replace(SAMPLE, speed=np.zeros(1)).to_csv_text()
