"""Thirty layouts of oscilloscopes and drives, all invented here, are read without an option."""

import gzip
import io

import numpy as np
import pytest
from scipy.io import savemat, wavfile

import encsim
from encsim.formats import column_content

ROWS = 600
DT = 2e-4
K = np.arange(ROWS)
T = K * DT
ANGLE = 2.0 * np.pi * 0.021 * K + 0.3
COS, SIN = 0.8 * np.cos(ANGLE) + 0.01, 0.82 * np.sin(ANGLE) - 0.02
COUNT = np.floor(37.3 * K).astype(int)
SPEED = 3.0 + 0.1 * np.sin(ANGLE)
TORQUE = 0.2 + 0.05 * np.cos(ANGLE)
JITTER = np.random.default_rng(4).normal(0.0, 0.1, ROWS) * DT


def rows(*columns, mark=",", comma=False, digits=7, end="\n"):
    """Rows of columns as text."""
    lines = []
    for values in zip(*columns, strict=True):
        cells = [str(v) if isinstance(v, (int, np.integer, str)) else f"{v:.{digits}f}" for v in values]
        lines.append(mark.join(cell.replace(".", ",") if comma else cell for cell in cells))
    return end.join(lines) + end


def saved(save, *args, **named):
    """Bytes that a function writes to a file."""
    stream = io.BytesIO()
    save(stream, *args, **named)
    return stream.getvalue()


def clock(t):
    """Time of day of a log that begins at 9:59:59.95."""
    seconds = 35999.95 + t
    return f"{int(seconds // 3600):02d}:{int(seconds // 60) % 60:02d}:{seconds % 60:09.6f}"


def half(t):
    """Time of day in two halves, from just before noon on."""
    seconds = 43199.95 + t
    end = "PM" if seconds >= 43200.0 else "AM"
    return f"{int(seconds // 3600 - 1) % 12 + 1}:{int(seconds // 60) % 60:02d}:{seconds % 60:09.6f} {end}"


CHANNELS = {"cosine": COS, "sine": SIN}
BURSTS = T + np.repeat(np.arange(ROWS // 100), 100) * 0.5
# Name, what the file holds, what is to be read.
FORMATS = {
    "bare two columns": (rows(COS, SIN), CHANNELS),
    "names": ("cos,sin\n" + rows(COS, SIN), CHANNELS),
    "names in quotes, units in brackets": (
        '"Time, start to end [ms]","Cosine [mV]","Sine [mV]"\n' + rows(T * 1e3, COS * 1e3, SIN * 1e3),
        CHANNELS | {"rate": 1 / DT},
    ),
    "semicolons, decimal commas, unit row": (
        "Zeit;Kanal 1;Kanal 2\ns;V;V\n" + rows(T, COS, SIN, mark=";", comma=True),
        CHANNELS | {"rate": 1 / DT},
    ),
    "tabs and a block of settings": (
        "Recorder bench 7\nSample interval: 200 us\nTrigger level\t0.2 V\n\nCH1\tCH2\nV\tV\n"
        + rows(COS, SIN, mark="\t"),
        CHANNELS | {"rate": 1 / DT},
    ),
    "settings with semicolons, rate told": (
        "station;test bench\nsampling rate;5 kHz\nchannels;2\nu1 (V);u2 (V)\n" + rows(COS, SIN, mark=";"),
        CHANNELS | {"rate": 5e3},
    ),
    "commented head": ("# run 12\n# t/s  cos/V  sin/V\n" + rows(T, COS, SIN, mark="  "), CHANNELS),
    "byte order mark and carriage returns": (
        "\ufefft [s],A [V],B [V]\r\n" + rows(T, COS, SIN, end="\r\n"),
        CHANNELS | {"rate": 1 / DT},
    ),
    "old line ends": ("t_s;u_cos_V;u_sin_V\r" + rows(T, COS, SIN, mark=";", end="\r"), CHANNELS),
    "bars": ("index | cos | sin\n" + rows(K, COS, SIN, mark=" | "), CHANNELS),
    "aligned blanks with units below": (
        "   Time      Chan A    Chan B\n   (us)      (V)       (V)\n"
        + rows(T * 1e6, COS, SIN, mark="    ", digits=6),
        CHANNELS | {"rate": 1 / DT},
    ),
    "Windows-1252 with a micro sign": (
        "t [µs];cos [V];sin [V]\n".encode("cp1252") + rows(T * 1e6, COS, SIN, mark=";", comma=True).encode(),
        CHANNELS | {"rate": 1 / DT},
    ),
    "UTF-16": (("time\tcos\tsin\ns\tV\tV\n" + rows(T, COS, SIN, mark="\t")).encode("utf-16"), CHANNELS),
    "exponents": (
        "t,c,s\n" + "".join(f"{t:.6E},{c:.8E},{s:.8E}\n" for t, c, s in zip(T, COS, SIN, strict=True)),
        CHANNELS,
    ),
    "about 2.5 V": ("time (s),cos (V),sin (V)\n" + rows(T, COS + 2.5, SIN + 2.5), CHANNELS),
    "12-bit codes": (
        "n;adc_a;adc_b\n"
        + rows(K, np.rint(2048 + 1500 * COS).astype(int), np.rint(2048 + 1500 * SIN).astype(int), mark=";"),
        {"cosine": np.rint(1500 * COS), "sine": np.rint(1500 * SIN)},
    ),
    "four channels to be differenced": (
        "t_s,cos+,cos-,sin+,sin-\n" + rows(T, 2.5 + COS / 2, 2.5 - COS / 2, 2.5 + SIN / 2, 2.5 - SIN / 2),
        CHANNELS,
    ),
    "four channels without names": (rows(COS / 2, -COS / 2, SIN / 2, -SIN / 2, mark=";"), CHANNELS),
    "quoted decimal commas between commas": (
        'time,cos,sin\n"' + rows(T, COS, SIN, mark='","', comma=True, end='"\n"').removesuffix('"'),
        CHANNELS,
    ),
    "counts of a drive with time": (
        "Time [ms];Actual position [inc];Actual current [A]\n"
        + rows(T * 1e3, COUNT, TORQUE, mark=";", comma=True),
        {"count": COUNT, "torque": TORQUE, "rate": 1 / DT},
    ),
    "counts of 16 bits that wrap": (
        "cnt\n" + rows((COUNT * 9 + 32768) % 65536 - 32768),
        {"count": COUNT * 9},
    ),
    "counter of one revolution, time of day": (
        "clock,encoder\n" + rows([clock(t) for t in T], COUNT % 4000),
        {"count": COUNT, "rate": 1 / DT},
    ),
    "position, speed, torque, set points": (
        "t;pos_ref;pos_act;vel_act;trq_act\ns;deg;deg;rpm;N m\n"
        + rows(T, ANGLE * 57.0, np.degrees(ANGLE), SPEED, TORQUE, mark=";"),
        {"position": ANGLE, "velocity": SPEED * np.pi / 30.0, "torque": TORQUE},
    ),
    "stamps that scatter": (
        "timestamp_ms,position_um,velocity_mm_s\n" + rows((T + JITTER) * 1e3, ANGLE * 20.0, SPEED),
        {"time": T + JITTER, "position": ANGLE * 20e-6, "velocity": SPEED * 1e-3},
    ),
    "bursts": ("t_s,cos,sin\n" + rows(BURSTS, COS, SIN), CHANNELS | {"time": BURSTS, "rate": 1 / DT}),
    "times of edges": ("edge_us\n" + rows(np.cumsum(1e6 * DT / (2.0 + np.cos(ANGLE)))), {"count": K}),
    "a foot and text columns": (
        "rec,state,cos,sin\n" + rows(K, ["RUN"] * ROWS, COS, SIN) + "END OF RECORD\nchecked: yes\n",
        CHANNELS,
    ),
    "dates with microseconds": (
        "stamp,cos,sin\n" + rows([f"2031-04-05T10:00:{t:09.6f}Z" for t in T], COS, SIN),
        CHANNELS | {"rate": 1 / DT},
    ),
    "twelve hours, past noon": (
        "clock;cos;sin\n" + rows([half(t) for t in T], COS, SIN, mark=";"),
        CHANNELS | {"rate": 1 / DT},
    ),
    "past midnight": (
        "clock;cos;sin\n" + rows([clock((86399.95 + t) % 86400.0 - 35999.95) for t in T], COS, SIN, mark=";"),
        CHANNELS | {"rate": 1 / DT},
    ),
    "names at the numbers": (
        "".join(f"t={t:.6f} cos={c:.6f} sin={s:.6f}\n" for t, c, s in zip(T, COS, SIN, strict=True)),
        CHANNELS | {"rate": 1 / DT},
    ),
    "units at the numbers": (
        "time;cos;sin\n"
        + "".join(f"{1e3 * t:.3f} ms;{c:.6f} V;{s:.6f} V\n" for t, c, s in zip(T, COS, SIN, strict=True)),
        CHANNELS | {"rate": 1 / DT},
    ),
    "head on every page": (
        "".join(
            "t_s;cos;sin\n" + rows(*part, mark=";")
            for part in zip(*(np.split(x, 6) for x in (T, COS, SIN)), strict=True)
        ),
        CHANNELS | {"rate": 1 / DT},
    ),
    "a line for each column": (
        "".join(
            name + "," + rows(x, end=",").removesuffix(",") + "\n"
            for name, x in (("t_s", T), ("cos", COS), ("sin", SIN))
        ),
        CHANNELS | {"rate": 1 / DT},
    ),
    "a timer of 16 bits": (
        "tick_us,cos,sin\n" + rows(K * 200 % 65536, COS, SIN),
        CHANNELS | {"rate": 1 / DT},
    ),
    "inverse channels by a stroke": (
        "t_us,A,/A,B,/B\n" + rows(1e6 * T, 2.5 + COS / 2, 2.5 - COS / 2, 2.5 + SIN / 2, 2.5 - SIN / 2),
        CHANNELS | {"rate": 1 / DT},
    ),
    "hexadecimal counts beside a tick": (
        "tick,enc\n" + rows(K, [f"0x{n:06X}" for n in COUNT]),
        {"count": COUNT},
    ),
    "counts and current without names": (rows(1e3 * T, COUNT, TORQUE, mark=" "), {"count": COUNT}),
    "a mark of its own, numbers lost": (
        "t_s~cos~sin\n"
        + rows(T, COS, SIN, mark="~")
        .replace(f"~{COS[37]:.7f}~", "~1.#QNAN~")
        .replace(f"~{COS[99]:.7f}~", "~****~"),
        {"cosine": np.delete(COS, [37, 99]), "rate": 1 / DT},
    ),
    "gzip": (gzip.compress(("cos;sin\n" + rows(COS, SIN, mark=";", comma=True)).encode()), CHANNELS),
    "NPY": (saved(np.save, np.stack([COS, SIN])), CHANNELS),
    "NPY, complex": (saved(np.save, COS + 1j * SIN), CHANNELS),
    "NPY, named fields": (
        saved(np.save, np.array(list(zip(COUNT, T, strict=True)), dtype=[("count", "i4"), ("time", "f8")])),
        {"count": COUNT, "rate": 1 / DT},
    ),
    "NPZ with a rate": (saved(np.savez, cos=COS, sin=SIN, fs=1 / DT), CHANNELS | {"rate": 1 / DT}),
    "NPZ, compressed twice": (
        gzip.compress(saved(np.savez_compressed, t=T, u=np.stack([COS, SIN]))),
        CHANNELS,
    ),
    "MAT": (saved(savemat, {"t": T, "cos": COS, "sin": SIN}), CHANNELS | {"rate": 1 / DT}),
    "MAT, a structure": (saved(savemat, {"log": {"dt": DT, "position_rad": ANGLE}}), {"position": ANGLE}),
    "MAT, structures in one": (
        saved(savemat, {"run": {"head": {"fs": 1 / DT}, "log": {"cos": COS, "sin": SIN}}}),
        CHANNELS | {"rate": 1 / DT},
    ),
    "WAV": (
        saved(lambda s, r, d: wavfile.write(s, r, d), 48000, np.int16(30000 * np.stack([COS, SIN], axis=1))),
        {"cosine": np.int16(30000 * COS), "sine": np.int16(30000 * SIN), "rate": 48000.0},
    ),
}


@pytest.mark.parametrize("name", FORMATS)
def test_layout_is_read_without_an_option(name, tmp_path):
    content, expected = FORMATS[name]
    path = tmp_path / "recording"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    capture = encsim.Capture.read(path)
    for series, values in expected.items():
        found = getattr(capture, series)
        assert found is not None, (series, capture.notes)
        # The files hold 6 to 9 digits; counters begin anywhere, times too.
        start = found[0] - values[0] if series in ("count", "time") else 0.0
        assert found - start == pytest.approx(values, rel=3e-6, abs=2e-6), (series, capture.notes)
    assert len(capture.notes) >= 3


@pytest.mark.parametrize(("jitter", "lost", "words"), [
    (0.1, [], "time jitter of the logger 2"), (0.05, [100, 101, 300], "2 gaps, 3 samples missing"),
    (0.1, [100, 101, 300, 301], "2 gaps, 4 samples missing"), (0.0, [7], "1 gap, 1 sample missing"),
])  # fmt: skip
def test_missing_samples_are_told_from_late_stamps(jitter, lost, words):
    time = (K + jitter * np.random.default_rng(1).standard_normal(ROWS)) * DT
    assert words in column_content.sampling(np.delete(time, lost)).words


def test_stamps_at_random_instants_are_no_gaps():
    time = np.cumsum(np.random.default_rng(2).exponential(DT, ROWS))
    assert "time jitter of the logger" in column_content.sampling(time).words
