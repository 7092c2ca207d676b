"""Saved results: what was saved comes back, and nothing else is taken for a result."""

import dataclasses
import io
import json
import pickle
import zipfile
from collections.abc import Mapping

import numpy as np
import pytest
from every_result import MAKERS, axis, result
from test_results import CLASSES

import encsim

SUFFIXES = (".json", ".npz")


def same(one, other):
    """Equal in class and in every value, arrays bit for bit, NaN too."""
    if isinstance(one, np.ndarray):
        return (
            isinstance(other, np.ndarray)
            and (one.dtype, one.shape) == (other.dtype, other.shape)
            and one.tobytes() == other.tobytes()
        )
    if isinstance(one, (float, np.floating)):
        return np.float64(one).tobytes() == np.float64(other).tobytes()
    if dataclasses.is_dataclass(one):
        names = [item.name for item in dataclasses.fields(one)]
        return type(one) is type(other) and all(
            same(getattr(one, name), getattr(other, name)) for name in names
        )
    if isinstance(one, Mapping):
        return (
            type(one) is type(other)
            and list(one) == list(other)
            and all(same(one[key], other[key]) for key in one)
        )
    if isinstance(one, (list, tuple)):
        return type(one) is type(other) and len(one) == len(other) and all(map(same, one, other))
    return one == other


def back(value, folder, suffix):
    """A result saved and loaded."""
    path = folder / f"result{suffix}"
    value.save(path)
    return encsim.load_result(path)


def test_every_kind_of_result_is_listed():
    assert set(MAKERS) == {name for name, one in CLASSES.items() if dataclasses.is_dataclass(one)}


@pytest.mark.parametrize("name", MAKERS)
def test_every_result_comes_back_as_it_was(name, tmp_path):
    saved = result(name)
    for suffix in SUFFIXES:
        loaded = back(saved, tmp_path, suffix)
        assert same(saved, loaded)
        assert loaded.to_dict() == saved.to_dict()
        assert repr(loaded) == repr(saved)


def test_a_loaded_result_is_drawn_refined_and_asked_for_its_peak(tmp_path):
    curve = encsim.ripple(axis(), "1 mm/s : 0.1 m/s : 30")
    loaded = back(curve, tmp_path, ".npz")
    assert (loaded.peak == curve.peak).all()
    assert (loaded.peak_reliable == curve.peak_reliable).all()
    assert loaded.refined().rms.size > 30
    assert loaded.plot().figure.encsim_title == curve.plot().figure.encsim_title


def test_rows_of_a_choice_stay_the_same_objects(tmp_path):
    loaded = back(result("Choice"), tmp_path, ".json")
    assert loaded.frontier
    assert {id(row) for row in loaded.frontier} <= {id(row) for row in loaded.rows}


def test_arrays_of_an_npz_file_have_the_names_of_their_fields(tmp_path):
    curve = result("RippleCurve")
    curve.save(tmp_path / "curve.npz")
    with np.load(tmp_path / "curve.npz") as archive:
        assert (archive["rms"] == curve.rms).all()
        assert (archive["parts.jitter"] == curve.parts["jitter"]).all()


def test_json_holds_nan_as_null_and_infinite_as_text(tmp_path):
    curve = result("RippleCurve")
    curve.save(tmp_path / "curve.json")
    plain = json.loads((tmp_path / "curve.json").read_text())
    assert plain["result"]["relative"]["values"][0] == "inf"
    assert encsim.loads(plain["axis"]) == curve.axis
    assert (plain["schema"], plain["function"], plain["version"]) == (1, "ripple", encsim.__version__)


def test_arguments_are_kept_and_repeat_the_result(tmp_path):
    trace = back(result("Trace"), tmp_path, ".json")
    assert trace.arguments == {"speed": 0.01, "samples": 200, "seed": 7, "start": 0.0}
    again = getattr(encsim, trace.origin.function)(trace.axis, **trace.arguments)
    assert (again.velocity == trace.velocity).all()


def test_a_pickled_result_keeps_its_arguments():
    for name in ("Trace", "Identification", "Margins"):
        assert pickle.loads(pickle.dumps(result(name))).arguments == result(name).arguments


def test_a_long_array_is_kept_as_an_argument_by_its_digest():
    angle = np.linspace(0.0, 20.0, 2000)
    kept = [encsim.identify(np.cos(angle), size * np.sin(angle)).arguments for size in (1.0, 1.01)]
    assert kept[0]["cosine"].startswith("array of 2000 values, SHA-256 ")
    assert kept[0]["cosine"] == kept[1]["cosine"]
    assert kept[0]["sine"] != kept[1]["sine"]


def test_version_of_the_file_stays_that_of_the_result(tmp_path):
    path = tmp_path / "a.json"
    result("TopSpeed").save(path)
    path.write_text(path.read_text().replace(f'"version": "{encsim.__version__}"', '"version": "0.2.9"'))
    assert encsim.load_result(path).to_dict()["version"] == "0.2.9"


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_no_file_is_replaced_without_force(suffix, tmp_path):
    path = tmp_path / f"a{suffix}"
    path.write_text("mine")
    with pytest.raises(encsim.InputError, match="not exist yet"):
        result("TopSpeed").save(path)
    assert path.read_text() == "mine"
    result("TopSpeed").save(path, force=True)
    assert same(encsim.load_result(path), result("TopSpeed"))


def test_a_name_with_another_ending_is_refused(tmp_path):
    with pytest.raises(encsim.InputError, match=r"end in \.json or \.npz"):
        result("TopSpeed").save(tmp_path / "a.csv")


@dataclasses.dataclass(frozen=True)
class Slower(encsim.Difference):
    """An estimator that is not part of encsim."""


def test_a_class_of_the_user_is_refused_before_anything_is_written(tmp_path):
    frontier = encsim.frontier(axis(), 0.01, [Slower(3)])
    with pytest.raises(encsim.InputError, match="only classes of encsim"):
        frontier.save(tmp_path / "a.json")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_file_cut_anywhere_is_refused(suffix, tmp_path):
    path = tmp_path / f"a{suffix}"
    result("Lines").save(path)
    content = path.read_bytes()
    for length in range(0, len(content) - 2, max(len(content) // 60, 1)):
        path.write_bytes(content[:length])
        with pytest.raises(encsim.InputError, match=r"load_result\.path"):
            encsim.load_result(path)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_file_with_wrong_bytes_gives_a_result_or_a_refusal(suffix, tmp_path, cases):
    path, chance = tmp_path / f"a{suffix}", np.random.default_rng(5)
    result("Margins").save(path)
    content = path.read_bytes()
    for _ in range(cases(60, 5000)):
        spoilt = bytearray(content)
        for place in chance.integers(0, len(spoilt), 3):
            spoilt[place] = chance.integers(32, 127)
        path.write_bytes(spoilt)
        try:
            assert type(encsim.load_result(path)).__name__ == "Margins"
        except encsim.InputError:
            continue


HEADER = {"kind": "TopSpeed", "schema": 1, "version": "0", "function": None, "arguments": {}}
AXIS = '[scale]\nperiod = "20 um"\n[sampling]\nrate = "16 kHz"\n'
FOREIGN = {
    "a list": [1, 2],
    "a number": 3,
    "plain values": HEADER,
    "another schema": HEADER | {"schema": 2, "result": {}},
    "a class of another package": HEADER | {"result": {"$class": "os.PathLike"}},
    "a function": HEADER | {"result": {"$class": "files.write_whole"}},
    "an imported class": HEADER | {"result": {"$class": "formats.result_files.Orders"}},
    "a description": HEADER | {"kind": "Axis", "result": {"$axis": AXIS}},
    "a result of another kind": HEADER | {"kind": "Lines", "result": {"$class": "open_loop.limits.TopSpeed"}},
    "an unknown tag": HEADER | {"result": {"$value": 3}},
}


@pytest.mark.parametrize("name", FOREIGN)
def test_a_foreign_file_is_refused(name, tmp_path):
    (tmp_path / "a.json").write_text(json.dumps(FOREIGN[name]))
    with pytest.raises(encsim.InputError, match=r"load_result\.path must"):
        encsim.load_result(tmp_path / "a.json")


def test_a_deep_nest_is_refused(tmp_path):
    (tmp_path / "a.json").write_text("[" * 100_000)
    with pytest.raises(encsim.InputError, match="be a whole JSON or NPZ file"):
        encsim.load_result(tmp_path / "a.json")


def test_an_npz_file_with_pickled_objects_is_refused_unopened(tmp_path):
    class Trap:
        def __reduce__(self):
            return (io.open, (str(tmp_path / "opened"), "w"))

    np.savez(tmp_path / "a.npz", encsim=np.array([Trap()], dtype=object))
    with pytest.raises(encsim.InputError, match="without Python objects"):
        encsim.load_result(tmp_path / "a.npz")
    assert not (tmp_path / "opened").exists()


def test_a_zip_file_that_is_no_result_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.npz", "w") as archive:
        archive.writestr("notes.txt", "hello")
    with pytest.raises(encsim.InputError, match=r"load_result\.path"):
        encsim.load_result(tmp_path / "a.npz")


@pytest.mark.parametrize("path", [None, 3, "no/such/file.json", "."])
def test_what_is_no_file_is_refused(path):
    with pytest.raises(encsim.InputError, match="be a file that can be read"):
        encsim.load_result(path)
