"""Pictures with a known pattern: spacing, width, direction and order; renderings; bad pictures."""

import json
import math

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

from analysis import measure, open_run
from analysis.micrograph.measure import evened, measure_picture
from analysis.micrograph.picture import Picture, PictureError, read_picture
from analysis.optics.projection import particle_thickness, resolved
from sim.command_line import main
from tests.reference.planted import planted_run

PIXEL = 0.1e-6


def striped(
    angle=30.0, spacing=11.3, shape=(256, 320), *, jitter=0.0, duty=0.5, noise=0.2, blur=0.0,
    light=0.0, seed=0,
):  # fmt: skip
    """Bright bars ``spacing`` pixels apart, ``duty`` of it wide, along ``angle`` degrees."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    turned = math.radians(angle + 90)
    along = x * math.cos(turned) + y * math.sin(turned)
    number = int(3 * max(shape) / spacing)
    centres = (np.arange(-number, number) + rng.random()) * spacing
    centres = np.sort(centres + jitter * spacing * rng.standard_normal(2 * number))
    near = np.searchsorted(centres, along)
    away = np.minimum(np.abs(along - centres[near - 1]), np.abs(along - centres[near]))
    # A soft edge of half a pixel, as a camera's pixels give it.
    picture = np.clip(0.5 * duty * spacing - away + 0.5, 0, 1)
    if blur:
        picture = gaussian_filter(picture, blur)
    u, v = x / shape[1] - 0.5, y / shape[0] - 0.5
    shade = 1 + light * (u + 0.6 * v - 1.5 * (u**2 + v**2))
    return shade * (1 + 0.5 * picture) + 0.5 * noise * rng.standard_normal(shape)


def numbers_of(brightness):
    return measure_picture(Picture(brightness, PIXEL, (0, 0), 1, "made")).numbers


def off(entry, truth):
    """Distance from the truth in standard errors."""
    return (entry["value"] - truth) / entry["error"]


@pytest.mark.parametrize(
    ("angle", "look"),
    [
        (0.0, {}),
        (90.0, {}),
        (45.0, {"noise": 0.0}),
        (-71.0, {"noise": 0.0}),
        (30.0, {"noise": 2.0}),
        (0.0, {"noise": 2.0}),
        (12.0, {"blur": 2.0}),
        (-60.0, {"light": 0.5}),
        (30.0, {"jitter": 0.08}),
        (80.0, {"duty": 0.3, "noise": 0.5, "blur": 1.0, "light": 0.5, "jitter": 0.05}),
        (-20.0, {"spacing": 7.3}),
        (5.0, {"spacing": 15.0, "shape": (400, 300)}),
    ],
)
def test_known_stripes(angle, look):
    found = numbers_of(striped(angle, **look))
    spacing = look.get("spacing", 11.3) * PIXEL
    assert abs(off(found["spacing_m"], spacing)) < 4
    assert found["spacing_m"]["error"] < 0.08 * spacing
    turn = (found["direction_deg"]["value"] - angle + 90) % 180 - 90
    assert abs(turn) < 4 * found["direction_deg"]["error"]
    assert found["direction_deg"]["error"] < 2
    assert found["order"]["value"] > 0.8


def test_errors_cover():
    # Of 16 pictures with disorder and noise, about two thirds should lie within one error; all
    # within four. The error is on the safe side: a peak is not placed better than the modes.
    away = [
        off(numbers_of(striped(17.0 * s, jitter=0.1, noise=2.0, seed=s))["spacing_m"], 1.13e-6)
        for s in range(16)
    ]
    assert np.max(np.abs(away)) < 4
    assert np.mean(np.abs(away) < 1) >= 0.5
    assert abs(np.mean(away)) < 4 / math.sqrt(16)


@pytest.mark.parametrize("angle", [0.0, 12.3, 25.0, 45.0, 65.0])
def test_turned_wave_without_noise_is_exact(angle):
    # Closed form: under Hann's window the centre of the power of a wave is its wave number.
    y, x = np.mgrid[:200, :260]
    turn = math.radians(angle + 90)
    wave = np.cos(2 * np.pi * (x * math.cos(turn) + y * math.sin(turn)) / 11.3)
    found = numbers_of(1 + 0.3 * wave)
    assert found["spacing_m"]["value"] == pytest.approx(11.3 * PIXEL, rel=1e-4)
    # Half of the period of a cosine lies above its mean.
    assert found["width_m"]["value"] == pytest.approx(0.5 * 11.3 * PIXEL, abs=0.05 * PIXEL)


@pytest.mark.slow
@pytest.mark.parametrize("look", [{"noise": 2.0}, {"noise": 1.0, "blur": 1.0}])
def test_intervals_of_the_spacing_hold(look):
    # Binomial and chi-square gates of four standard errors for 100 pictures, turned and shifted;
    # a picture whose peak noise could make has no spacing, and few may be such.
    found = [
        numbers_of(striped(17.3 * s, shape=(160, 200), seed=s, **look))["spacing_m"]
        for s in range(100)
    ]
    away = np.array([off(one, 1.13e-6) for one in found if one["value"] is not None])
    count = len(away)
    assert count >= 90
    assert abs(np.mean(np.abs(away) < 1) - 0.683) < 4 * math.sqrt(0.683 * 0.317 / count)
    assert np.mean(np.abs(away) < 1.96) > 0.95 - 4 * math.sqrt(0.95 * 0.05 / count)
    assert abs(np.mean(away)) < 4 / math.sqrt(count)


@pytest.mark.parametrize("duty", [0.25, 0.4, 0.7])
@pytest.mark.parametrize(("blur", "noise"), [(0.0, 0.0), (0.0, 1.0), (1.2, 0.3)])
def test_width_of_bars_or_gaps_is_within_its_error(duty, blur, noise):
    look = {"duty": duty, "blur": blur, "noise": noise}
    found = numbers_of(striped(20.0, 20.0, (256, 256), **look))["width_m"]
    truth = min(duty, 1 - duty) * 20 * PIXEL
    assert abs(off(found, truth)) < 4
    assert found["error"] < 0.03 * 20 * PIXEL


def test_width_and_spread_have_errors_and_blur_keeps_both():
    sharp, soft = (numbers_of(striped(20.0, 20.0, (256, 256), duty=0.3, blur=b)) for b in (0, 1.5))
    for found in (sharp, soft):
        assert 0 < found["spread_m"]["error"] < found["spread_m"]["value"]
        assert found["spread_m"]["value"] < 0.15 * 20 * PIXEL
    assert abs(off(soft["width_m"], 6 * PIXEL)) < 3
    assert soft["width_m"]["value"] < 1.1 * sharp["width_m"]["value"]
    assert abs(off(soft["spacing_m"], 20 * PIXEL)) < 4


def test_noise_alone_has_no_spacing_more_often_than_said():
    # A peak is withheld above a chance of 5 of 100: of 30, 1.5 and 4 standard errors (1.2 each).
    rng = np.random.default_rng(8)
    found = [numbers_of(rng.random((128, 160)))["spacing_m"]["value"] for _ in range(30)]
    assert sum(value is not None for value in found) <= 6


def test_pattern_without_direction_says_so():
    rng = np.random.default_rng(2)
    q = np.hypot(*np.meshgrid(np.fft.fftfreq(300), np.fft.fftfreq(300)))
    ring = np.exp(-(((q - 1 / 12) / 0.006) ** 2) / 2)
    picture = np.fft.ifft2(np.fft.fft2(rng.standard_normal((300, 300))) * ring).real
    found = numbers_of(5 + picture / picture.std())
    assert found["order"]["value"] < 0.3
    assert abs(off(found["spacing_m"], 12 * PIXEL)) < 4
    assert any("hardly any direction" in warning for warning in found["warnings"])


def test_uneven_light_is_taken_off():
    y, x = np.mgrid[-1:1:200j, -1:1:300j]
    light = 3 + x - 0.4 * y + 0.5 * x * y - 0.6 * x**2 * y**2
    assert np.abs(evened(light)).max() < 1e-10
    wave = 0.1 * np.cos(2 * np.pi * 20 * x)
    away = np.abs(evened(light * (1 + wave)) - wave)
    # In the corners a polynomial follows the last half period of what is measured.
    assert np.median(away) < 2e-3
    assert away.max() < 0.03


def test_rendering_of_a_planted_film(tmp_path):
    # The same film, measured as a run and as the picture that a microscope shows of it.
    planted_run(
        tmp_path, sides=(8e-6, 24e-6), thickness=0.3e-6, spacing=1.0e-6, jitter=0.05e-6, frames=1,
        plateau=20,
    )  # fmt: skip
    run = open_run(tmp_path)
    sharp = particle_thickness(run.positions(-1), run.diameters, run.sides, (480, 160))
    seen = resolved(sharp, run.sides, 532e-9, 0.9)
    picture = tmp_path / "film.png"
    level = 200 - 120 * seen / seen.max()
    Image.fromarray(np.round(np.tile(level[::-1], (1, 2))).astype(np.uint8)).save(picture)
    found = measure_picture(read_picture(picture, 50e-9)).numbers
    film = measure(run).numbers["spacing"]["structure_factor_m"]
    assert abs(off(found["spacing_m"], 1.0e-6)) < 4
    both = math.hypot(film["error"], found["spacing_m"]["error"])
    assert abs(film["value"] - found["spacing_m"]["value"]) < 4 * both
    assert abs(found["direction_deg"]["value"]) < 4 * found["direction_deg"]["error"]


# --- files -------------------------------------------------------------------------------------


def as_bytes(brightness, most):
    return (brightness - brightness.min()) / np.ptp(brightness) * most


@pytest.mark.parametrize("kind", ["grey.png", "deep.png", "deep.tif", "colour.png", "clear.png"])
def test_depths_and_colours_agree(tmp_path, kind):
    grey = as_bytes(striped(30.0, 12.0), 1.0)
    path = tmp_path / kind
    if kind.startswith("deep"):
        image = Image.fromarray(np.round(65535 * grey).astype(np.uint16))
    elif kind == "grey.png":
        image = Image.fromarray(np.round(255 * grey).astype(np.uint8))
    else:
        parts = [255 * grey, 180 * grey, 90 * grey] + [255 + 0 * grey] * (kind == "clear.png")
        image = Image.fromarray(np.round(np.stack(parts, -1)).astype(np.uint8))
    image.save(path)
    found = measure_picture(read_picture(path, PIXEL)).numbers
    assert abs(off(found["spacing_m"], 12 * PIXEL)) < 4
    # Rows run down in the file: the direction is that which a reader sees.
    assert abs(found["direction_deg"]["value"] + 30) < 4 * found["direction_deg"]["error"]


def test_large_pictures_are_averaged(tmp_path):
    large = as_bytes(striped(10.0, 40.0, (300, 5000)), 255)
    Image.fromarray(large.astype(np.uint8)).save(tmp_path / "large.png")
    picture = read_picture(tmp_path / "large.png", PIXEL)
    assert picture.averaged == 3
    assert picture.brightness.shape == (100, 1666)
    assert picture.pixel == pytest.approx(3 * PIXEL)
    assert picture.sides == pytest.approx([1666 * 3 * PIXEL, 300 * PIXEL])


@pytest.fixture
def pictures(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    grey = np.round(as_bytes(striped(), 255)).astype(np.uint8)
    Image.fromarray(grey).save("good.png")
    Image.fromarray(grey).save("micrograph.png")
    Image.fromarray(grey[:10]).save("tiny.png")
    Image.fromarray(np.full((100, 100), 7, np.uint8)).save("blank.png")
    Image.fromarray(np.zeros((64, 9000), np.uint8) + grey[:1, :1]).save("strip.png")
    (tmp_path / "words.png").write_text("no picture")
    return tmp_path


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["none.png", "--scale", "1 um/px"], "none.png is not"),
        (["words.png", "--scale", "1 um/px"], "words.png must be a picture such as PNG"),
        (["tiny.png", "--scale", "1 um/px"], "at least 64 pixels wide and high; it has 320 x 10"),
        (["blank.png", "--scale", "1 um/px"], "every pixel is equally bright"),
        (["strip.png", "--scale", "1 um/px"], "less than 32 times as long as wide"),
        (["good.png"], 'such as "0.1 um/px"; received none'),
        (["good.png", "--scale", "0.1 um"], "received '0.1 um'"),
        (["good.png", "--scale", "0.1 mT/px"], "mT is a unit of magnetic field, not of length"),
        (["good.png", "--scale", "0/px"], "a number without a unit"),
        (["good.png", "--scale", "-1 um/px"], "from 1 pm/px to 1 cm/px"),
        (["micrograph.png", "--scale", "1 um/px", "-o", "."], "would be replaced by results"),
    ],
)
def test_bad_input_ends_with_one_sentence(pictures, capsys, words, said):
    before = {path.name: path.read_bytes() for path in pictures.iterdir()}
    assert main(["micrograph", *words]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert said in told.err
    assert len(told.err.strip().splitlines()) == 1
    assert {path.name: path.read_bytes() for path in pictures.iterdir()} == before


def test_command_writes_and_prints(pictures, capsys):
    assert main(["micrograph", "good.png", "--scale", "0.1 µm/px", "-o", "out", "--json"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == json.loads((pictures / "out/micrograph.json").read_text(encoding="utf-8"))
    assert abs(off(printed["spacing_m"], 11.3 * PIXEL)) < 4
    assert (pictures / "out/micrograph.png").stat().st_size > 10_000
    assert (pictures / "out/micrograph.csv").read_text().startswith("q_per_m,power,error\n")
    assert main(["micrograph", "good.png", "--scale", "100 nm/px"]) == 0
    assert "spacing" in capsys.readouterr().out
    assert (pictures / "good/micrograph.json").exists()


def test_reading_is_for_pictures_only(tmp_path):
    with pytest.raises(PictureError, match="a picture must be a file"):
        read_picture(tmp_path, PIXEL)
