"""From photos of known fluid to a profile, and from the profile to a better reading."""

from __future__ import annotations

import codecs
import math
import re
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tomli_w
from click.testing import Result
from PIL import ExifTags, Image
from typer.testing import CliRunner

from calibration.dye import PKA_STD
from calibration.inversion import State
from calibration.profile import Profile, estimate_parameters, read_profile, validity, write_profile
from colorread.chemistry.carbonate import ionic_strength
from colorread.cli import app
from colorread.page.tasks import check_photo
from colorread.profiles.how_to import BUFFERS
from colorread.profiles.make import (
    CalibrationError,
    KnownPhoto,
    PhotoRefused,
    air_photo,
    buffer_photo,
    end_photo,
    make_profile,
)
from colorread.profiles.presentation import write_profile_picture
from colorread.reading.pipeline import read_photo

from .scene import Scene, take_photo
from .test_profile_store import profile_file

SCENE = Scene(load=0.9, lamp="warm")
PH_NEARLY_YELLOW = 6.4
IONIC = float(ionic_strength(4.0))


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One vial, phone and lamp: all yellow, all blue, pH 7.0, and a reading at 6.8."""
    folder = tmp_path_factory.mktemp("photos")
    of_ph = {"acid": 4.0, "base": 9.5, "known": 7.0, "reading": 6.8}
    return {name: saved(folder / f"{name}.png", replace(SCENE, ph=ph)) for name, ph in of_ph.items()}


@pytest.fixture(scope="module")
def profile(photos: dict[str, Path]) -> Profile:
    ends = (end_photo(photos["acid"], "acid"), end_photo(photos["base"], "base"))
    return make_profile([*ends, buffer_photo(photos["known"], 7.0, ionic_strength_mol_kg=IONIC)])


@pytest.fixture(scope="module")
def foreign(profile: Profile) -> Profile:
    """That profile as if made with another phone."""
    return replace(profile, samples=tuple(replace(sample, camera_model="Other") for sample in profile.samples))


def run(arguments: str) -> Result:
    return CliRunner().invoke(app, arguments.split())


def saved(path: Path, scene: Scene) -> Path:
    Image.fromarray(take_photo(scene).rgb_u8).save(path, compress_level=1)
    return path


def with_exif(photo: Path, path: Path, exif: Image.Exif) -> Path:
    with Image.open(photo) as image:
        image.save(path, exif=exif, compress_level=1)
    return path


def test_a_profile_narrows_the_interval_and_keeps_the_truth(photos: dict[str, Path], profile: Profile) -> None:
    without = read_photo(photos["reading"], kh_dkh=4.0).ph
    with_it = read_photo(photos["reading"], kh_dkh=4.0, profile=profile).ph
    assert None not in (without.low, without.high, with_it.low, with_it.high, with_it.value)
    assert with_it.high - with_it.low < 0.8 * (without.high - without.low)
    assert with_it.low < 6.8 < with_it.high
    assert abs(with_it.value - 6.8) < 0.06


def test_the_known_point_fixes_pka(profile: Profile) -> None:
    # The scene's dye has 7.30; the ends alone say nothing of it.
    estimates = estimate_parameters(profile.evidence)
    assert abs(estimates.mean[0] - 7.30) < 2.0 * estimates.std[0]
    assert estimates.std[0] < 0.85 * PKA_STD
    ends_alone = estimate_parameters([item for item in profile.evidence if item.state != "known"])
    assert ends_alone.std[0] == pytest.approx(PKA_STD, rel=0.05)
    assert np.all(np.linalg.eigvalsh(estimates.covariance) > -1e-9)


def test_a_profile_of_another_phone_counts_less_and_says_so(
    photos: dict[str, Path], profile: Profile, foreign: Profile, tmp_path: Path
) -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Model] = "Mine"
    named = with_exif(photos["reading"], tmp_path / "named.png", exif)
    own, nameless = (read_photo(photos["reading"], profile=given) for given in (profile, foreign))
    other = read_photo(named, profile=foreign)
    flags = {"other-phone", "unknown-phone"}
    raised = [flags & set(reading.flags) for reading in (own, nameless, other)]
    assert raised == [set(), {"unknown-phone"}, {"other-phone"}]
    assert nameless.ph == other.ph
    assert other.ph.high - other.ph.low > own.ph.high - own.ph.low


def test_a_profile_of_another_phone_closes_no_end_that_is_open_without_it(profile: Profile, foreign: Profile) -> None:
    yellow = take_photo(replace(SCENE, ph=PH_NEARLY_YELLOW)).rgb_u8
    alone, own, other = (read_photo(yellow, kh_dkh=4.0, profile=given) for given in (None, profile, foreign))
    assert (alone.limit, own.limit, other.limit) == ("below", None, "below")
    assert (other.co2_mg_l.value, other.co2_mg_l.high) == (None, None)


def test_written_and_read_again_it_is_the_same(tmp_path: Path, profile: Profile) -> None:
    file = tmp_path / "me.toml"
    write_profile(profile, file)
    again = read_profile(file)
    assert again.name == "me.toml"
    assert [sample.sha256 for sample in again.samples] == [sample.sha256 for sample in profile.samples]
    assert estimate_parameters(again.evidence).mean == pytest.approx(
        estimate_parameters(profile.evidence).mean, abs=0.02
    )
    assert validity(again) == validity(profile)


def test_a_profile_of_an_earlier_version_opens(tmp_path: Path) -> None:
    file = Path(__file__).with_name("data") / "profile_1.toml"
    kept = read_profile(file)
    (tmp_path / file.name).write_bytes(codecs.BOM_UTF8 + file.read_bytes())  # as some editors save it
    assert read_profile(tmp_path / file.name).camera_models == kept.camera_models
    assert [item.state for item in kept.evidence] == ["acid", "base", "known"]
    assert {item.space for item in kept.evidence} == {"display-p3"}
    assert (kept.evidence[-1].ph, kept.evidence[-1].pka) == (7.0, 7.0333)
    assert kept.evidence[-1].samples.density.shape == kept.evidence[-1].samples.density_std.shape == (4, 3)
    assert kept.camera_models == {"Phone A"}


def test_it_reaches_as_far_as_colors_were_seen(profile: Profile) -> None:
    of_state = {sample.evidence.state: replace(profile, samples=(sample,)) for sample in profile.samples}
    assert validity(profile) == (-math.inf, math.inf)
    assert validity(of_state["acid"]) == (-math.inf, pytest.approx(6.3, abs=0.1))
    assert validity(of_state["base"]) == (pytest.approx(8.3, abs=0.1), math.inf)
    known_ph = profile.samples[-1].evidence.ph
    assert validity(of_state["known"]) == pytest.approx((known_ph - 0.3, known_ph + 0.3), abs=0.01)


def test_an_existing_file_is_never_replaced_by_accident(tmp_path: Path, profile: Profile) -> None:
    file = tmp_path / "me.toml"
    file.write_text("mine", encoding="utf-8")
    with pytest.raises(FileExistsError):
        write_profile(profile, file)
    assert file.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("not [toml", "not a colorread profile, or it is damaged"),
        ("a = " + "[" * 100_000, "not a colorread profile, or it is damaged"),
        ("a = " + "1" * 5000, "not a colorread profile, or it is damaged"),
        ('a = "b"', "not a colorread profile"),
        ('schema = "colorread.profile/9"', "has version 9"),
        ('schema = "colorread.profile/1"\nlight = "unknown"\nmade_at = ""\n[[sample]]\nstate = "acid"', "is damaged"),
    ],
)
def test_a_broken_profile_is_refused_in_one_sentence(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "broken.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=words):
        read_profile(file)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("ph", 10**400),
        ("ph", math.nan),
        ("ph_std", -5.0),
        ("pka", -1.0),
        ("density", [[math.nan, 0.1, 0.1]]),
        ("density", [[0.1, 0.1]]),
        ("density_std", [[0.0, 0.01, 0.01]]),
        ("density_std", [[math.inf, 0.01, 0.01]]),
        ("density_std", [[0.01, 0.01, 0.01]] * 2),
        ("state", "odd"),
    ],
)
def test_a_profile_with_a_number_out_of_range_is_refused(tmp_path: Path, name: str, value: object) -> None:
    file = profile_file(tmp_path / "me.toml", "Phone A")
    data = tomllib.loads(file.read_text(encoding="utf-8"))
    assert read_profile(file).samples[0].evidence.ph == data["sample"][0]["ph"]
    data["sample"][0][name] = value
    file.write_text(tomli_w.dumps(data), encoding="utf-8")
    with pytest.raises(ValueError, match="out of range"):
        read_profile(file)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: buffer_photo("a.jpg", math.nan, ionic_strength_mol_kg=IONIC), "must be a number"),
        (lambda: buffer_photo("a.jpg", 7.0, ionic_strength_mol_kg=math.nan), "must be a number"),
        (lambda: air_photo("a.jpg", math.nan), "must be a number"),
        (lambda: air_photo("a.jpg", 0.25), "between 0.5 and 10"),  # almost pure water
        (lambda: air_photo("a.jpg", 2.0, air_ppm=199.0), "between 200 and 3000"),
        (lambda: air_photo("a.jpg", 2.0, air_ppm=3001.0), "between 200 and 3000"),
    ],
)
def test_what_is_known_of_a_fluid_is_a_number_in_its_range(make: Callable[[], KnownPhoto], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make()


def test_known_fluid_that_is_dark_in_one_color_is_refused(tmp_path: Path) -> None:
    dark = saved(tmp_path / "dark.png", replace(SCENE, ph=9.5, load=2.5))
    with pytest.raises(PhotoRefused, match="too dark to calibrate with"):
        make_profile([buffer_photo(dark, 8.0, ionic_strength_mol_kg=IONIC)])


@pytest.mark.parametrize(
    ("state", "ph", "words"),
    [
        ("acid", 9.5, "all blue, not yellow. Use a photo of the all-yellow fluid here"),
        ("acid", 6.6, "not all yellow"),
        ("base", 7.4, "not all blue"),
    ],
)
def test_an_end_that_is_none_is_noticed(state: State, ph: float, words: str, tmp_path: Path) -> None:
    photo = saved(tmp_path / "photo.png", replace(SCENE, ph=ph))
    with pytest.raises(PhotoRefused, match=rf"photo\.png: .* {words}"):
        make_profile([end_photo(photo, state)])


def test_the_time_of_a_copied_file_is_not_taken_for_that_of_the_photo(tmp_path: Path, photos: dict[str, Path]) -> None:
    exif = Image.Exif()
    exif[ExifTags.IFD.Exif] = {ExifTags.Base.DateTimeOriginal: "2025:06:04 05:30:09"}
    timed = with_exif(photos["acid"], tmp_path / "acid.png", exif)
    times = [make_profile([end_photo(path, "acid")]).samples[0].taken_at for path in (photos["acid"], timed)]
    assert times == ["", "2025-06-04T05:30:09"]


def test_a_photo_counts_once(photos: dict[str, Path], profile: Profile) -> None:
    with pytest.raises(CalibrationError, match="already in the profile"):
        make_profile([end_photo(photos["acid"], "acid")], base=profile)
    with pytest.raises(CalibrationError, match="given twice"):
        make_profile([air_photo(photos["base"], 2.0), air_photo(photos["base"], 1.0)])


@pytest.mark.parametrize(("ph", "ionic"), [(7.1, IONIC), (7.0, 0.1)])
def test_what_is_known_of_a_photo_cannot_change_unnoticed(
    photos: dict[str, Path], profile: Profile, ph: float, ionic: float
) -> None:
    with_others = [end_photo(photos["acid"], "acid"), buffer_photo(photos["known"], ph, ionic_strength_mol_kg=ionic)]
    with pytest.raises(CalibrationError, match=r"known\.png is already in the profile as pH 7\.00 .* new profile"):
        make_profile(with_others, base=profile)


def test_a_photo_of_the_profile_may_be_given_again(tmp_path: Path, photos: dict[str, Path]) -> None:
    buffer = buffer_photo(photos["known"], 7.0, ionic_strength_mol_kg=IONIC)
    write_profile(make_profile([buffer]), tmp_path / "me.toml")
    more = make_profile([buffer, end_photo(photos["acid"], "acid")], base=read_profile(tmp_path / "me.toml"))
    assert [sample.evidence.state for sample in more.samples] == ["known", "acid"]


@pytest.mark.parametrize("ph", [6.0, 8.0])
def test_a_known_fluid_of_another_color_is_noticed(photos: dict[str, Path], ph: float) -> None:
    with pytest.raises(CalibrationError, match=f"^{re.escape(str(photos['known']))}: .* does not match pH {ph:.2f}"):
        make_profile([buffer_photo(photos["known"], ph, ionic_strength_mol_kg=IONIC)])


def test_the_page_looks_at_a_calibration_photo_as_strictly_as_the_profile(
    photos: dict[str, Path], tmp_path: Path
) -> None:
    leaf = saved(tmp_path / "leaf.png", Scene(thing="leaf"))
    assert check_photo(leaf, "ends", "acid", None).code == "no-vial"
    assert check_photo(photos["acid"], "ends", "acid", None) is None
    for photo, step, color in (("base", "acid", "yellow"), ("acid", "base", "blue")):
        assert color in check_photo(photos[photo], "ends", step, None).message


def test_an_addition_keeps_the_lamp_of_the_profile(photos: dict[str, Path]) -> None:
    warm = make_profile([end_photo(photos["acid"], "acid")], light="warm-led")
    assert make_profile([end_photo(photos["base"], "base")], base=warm).light == "warm-led"
    with pytest.raises(CalibrationError, match="a separate profile for each lamp"):
        make_profile([end_photo(photos["base"], "base")], light="daylight", base=warm)


@pytest.mark.parametrize("arguments", ["ends --acid {}", "air --photo {}:2", "chart {}"])
def test_a_refused_photo_is_no_wrong_use(tmp_path: Path, arguments: str) -> None:
    photo, out = tmp_path / "a.jpg", tmp_path / "me.toml"
    photo.write_bytes(b"no photo")
    refused = run(f"calibrate {arguments} --out {out}".format(photo))
    assert (refused.exit_code, out.exists(), len(refused.output.splitlines())) == (3, False, 1)


def test_what_is_refused_is_asked_for_again_and_the_rest_is_kept(tmp_path: Path, photos: dict[str, Path]) -> None:
    broken, out = tmp_path / "broken.jpg", tmp_path / "me.toml"
    broken.write_bytes(b"no photo")
    known = f"--known {photos['known']} --known-ph 7 --kh 4"
    partly = run(f"calibrate ends --acid {photos['acid']} --base {broken} {known} --out {out}")
    assert partly.exit_code == 3
    assert partly.stderr.startswith(f"{broken}: ")
    assert len(partly.stderr.splitlines()) == 1
    assert [sample.photo for sample in read_profile(out).samples] == ["acid.png", "known.png"]
    asked = partly.stdout.splitlines()[-1].partition("colorread ")[2]
    assert asked == f"calibrate ends --base PHOTO --from {out}"
    whole = run(asked.replace("PHOTO", str(photos["base"])))
    assert whole.exit_code == 0, whole.output
    assert [sample.photo for sample in read_profile(out).samples] == ["acid.png", "known.png", "base.png"]


def test_a_known_fluid_that_is_refused_is_asked_for_with_its_numbers(tmp_path: Path, photos: dict[str, Path]) -> None:
    out, again = tmp_path / "me.toml", saved(tmp_path / "again.png", replace(SCENE, ph=7.0, load=0.85))
    known = f"--known {photos['known']} --known {photos['acid']} --known-ph 7 --kh 4"
    partly = run(f"calibrate ends --acid {photos['acid']} {known} --out {out}")
    assert (partly.exit_code, "does not match pH 7.00" in partly.stderr) == (3, True)
    asked = partly.stdout.splitlines()[-1].partition("colorread ")[2]
    whole = run(asked.replace("PHOTO", str(again)))
    assert whole.exit_code == 0, whole.output
    both = read_profile(out)
    expected = buffer_photo(photos["known"], 7.0, ionic_strength_mol_kg=IONIC)
    assert (both.evidence[-1].ph, both.evidence[-1].pka) == (7.0, pytest.approx(expected.pka, abs=1e-3))
    assert [sample.photo for sample in both.samples] == ["acid.png", "known.png", "again.png"]
    two_known, one = (estimate_parameters(both.evidence[:count]).std[0] for count in (3, 2))
    assert two_known < one  # two photos of the known fluid tell more than one


# 2, 1 and 0.5 dKH in outdoor air at 25 C: about 8.0, 7.7 and 7.4 by PHREEQC. Then how far 24 umol/L of dye move the pH,
# as sodium salt and as free acid in alcohol: own charge balance. The uncertainty is that of 15 % of the air, 5 % of the
# KH and 24 umol/L of 356.6 umol/L per dKH, each over ln 10.
@pytest.mark.parametrize(
    ("kh_dkh", "ph", "as_salt", "as_acid", "std"),
    [(2.0, 8.03, -0.012, -0.027, 0.0702), (1.0, 7.74, -0.021, -0.052, 0.0746), (0.5, 7.44, -0.033, -0.098, 0.0902)],
)
def test_air_gives_the_ph_of_the_equilibrium_less_surely_where_there_is_little_kh(
    kh_dkh: float, ph: float, as_salt: float, as_acid: float, std: float
) -> None:
    photo = air_photo("a.jpg", kh_dkh)
    assert photo.ph == pytest.approx(ph, abs=0.02)
    assert photo.ph_std == pytest.approx(std, abs=2e-4)
    assert abs(as_salt) < abs(as_acid) < 1.645 * photo.ph_std


def test_the_buffers_of_the_words_have_these_ionic_strengths() -> None:
    # Half the sum of concentration times squared charge: 2 Na+ and HPO4--, K+ and H2PO4-.
    for ph, na2hpo4, kh2po4 in (("6.86", 0.025, 0.025), ("7.00", 0.041, 0.026)):
        strength = 0.5 * (na2hpo4 * (2 * 1 + 4) + kh2po4 * (1 + 1))
        assert re.search(f"{strength:.2g} for .{{0,20}} pH {ph}", BUFFERS)


def test_a_known_fluid_is_a_buffer_or_kh_fluid_and_the_command_asks_which(
    tmp_path: Path, photos: dict[str, Path]
) -> None:
    out = tmp_path / "me.toml"
    known = f"calibrate ends --known {photos['known']} --known-ph 7.0 --force --out {out}"
    for options, words in (("", "--ionic-strength X (0.1 for"), ("--ionic-strength 0.1 --kh 4", "either")):
        asked = run(f"{known} {options}")
        assert (asked.exit_code, words in asked.output, out.exists()) == (2, True, False)
    pka = []
    for options in ("--kh 4", "--ionic-strength 0.1"):
        made = run(f"{known} {options}")
        assert made.exit_code == 0, made.output
        pka.append(read_profile(out).samples[0].evidence.pka)
    # Yao & Byrne 2001: -0.428 + 0.073 for the concentration of H+, three quarters of it for its activity.
    assert pka[1] - pka[0] == pytest.approx(-0.266, abs=0.005)


def test_the_command_makes_shows_and_uses_a_profile(tmp_path: Path, photos: dict[str, Path]) -> None:
    out, picture = tmp_path / "me.toml", tmp_path / "me.png"
    assert run(f"calibrate ends --acid {photos['acid']} --base {photos['base']} --out {out}").exit_code == 0
    known = f"calibrate ends --known {photos['known']} --known-ph 7.0 --kh 4"
    assert run(f"{known} --from {out} --out {tmp_path / 'both.toml'}").exit_code == 0
    assert len(read_profile(tmp_path / "both.toml").samples) == 3
    shown = run(f"profile {out} --picture {picture}")
    assert (shown.exit_code, "pKa'" in shown.output) == (0, True)
    with Image.open(picture) as image:
        assert image.size[0] > 600
    kept, new = out.read_bytes(), tmp_path / "new.toml"
    for wrong, words in (
        (f"calibrate ends --acid {photos['acid']} --out {out}", "already exists"),
        (f"calibrate ends --base {tmp_path / 'bsae.png'} --out {new}", "There is no such file."),
        (f"profile {out} --picture {picture}", "already exists"),
        (f"profile {out} --picture {tmp_path / 'me.docx'}", ".png, .pdf or .svg"),
    ):
        refused = run(wrong)
        assert (refused.exit_code, words in " ".join(refused.output.split())) == (2, True)
    assert (out.read_bytes(), new.exists()) == (kept, False)
    read = run(f"read {photos['reading']} --profile {out}")
    assert (read.exit_code, "profile me.toml" in read.output) == (0, True)


def test_a_picture_takes_any_name_of_a_photo(tmp_path: Path, profile: Profile) -> None:
    odd = replace(profile, samples=tuple(replace(sample, photo="tank $x_{$.jpg") for sample in profile.samples))
    write_profile_picture(odd, tmp_path / "me.svg")
    assert "<svg" in (tmp_path / "me.svg").read_text(encoding="utf-8")


def test_photos_of_one_name_in_two_folders_are_two_photos(tmp_path: Path, photos: dict[str, Path]) -> None:
    known = []
    for state in ("acid", "base"):
        (tmp_path / state).mkdir()
        known.append(end_photo(shutil.copy(photos[state], tmp_path / state / "photo.png"), state))
    assert len(make_profile(known).samples) == 2
