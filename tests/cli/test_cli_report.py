"""compare, report and shelf on the command line: files and the record, statuses, and nothing half-written."""

import json

import pytest
from typer.testing import CliRunner

from tests.history.test_of_record import heron, record  # noqa: F401  # fixtures
from tests.measures.test_compare import drawn
from tests.measures.test_set import pair
from tests.support.pairs import document, flat
from tillerlens.cli import app
from tillerlens.cli.pictures import MeasuredPicture
from tillerlens.core.measurement import Measurement
from tillerlens.record import open_record


def run(*arguments):
    return CliRunner().invoke(app.app, [str(a) for a in arguments])


@pytest.fixture
def files(tmp_path):
    def write(name, made):
        path = tmp_path / name
        path.write_text(json.dumps(made.as_document() if isinstance(made, Measurement) else made))
        return path

    return write


def test_two_documents_at_rest_give_set(files):
    then, now = pair()
    done = run("compare", files("a.json", then), files("b.json", now), "--json")
    assert done.exit_code == 0
    found = json.loads(done.stdout)
    assert found["format"] == "tillerlens-set" and found["limbs"]["upper"]["at_tip"]["value"] == pytest.approx(10, abs=0.4)
    assert len(found["limbs"]["upper"]["from_nock_mm"]) == len(found["limbs"]["upper"]["change_per_m"])
    assert "of set" in run("compare", files("a.json", then), files("b.json", now)).stdout


def test_two_draws_are_judged_where_scraped(files):
    a, b = files("a.json", drawn()), files("b.json", drawn(lower=0.3))
    done = run("compare", a, b, "--scraped", "lower 17in 22in")
    assert done.exit_code == 0 and done.stdout.startswith("It worked: the lower limb bends 20 % more")
    found = json.loads(run("compare", a, b, "--scraped", "lower 17in 22in", "--json", "--metric").stdout)
    assert found["scrapes"][0]["outcome"] == "did" and found["patches"][0]["limb"] == "lower"
    assert "cm from the nock" in found["sentences"][0]["text"]


@pytest.mark.parametrize(
    ("words", "says"),
    [(["nobody:1"], "no bow 'nobody'"), (["empty.json"], "not JSON"), (["form.json"], "not of the right form at 'values'")],
    ids=["stage", "junk", "form"],
)
def test_what_cannot_be_compared_is_said(files, tmp_path, words, says):
    files("form.json", {**drawn().as_document(), "values": 3})
    (tmp_path / "empty.json").write_text("")
    given = [tmp_path / w if w.endswith("json") else w for w in words]
    with open_record(tmp_path / "record"):
        pass
    done = run("compare", *given, files("b.json", drawn()), "--record", tmp_path / "record")
    assert done.exit_code == 2 and says in done.stderr and done.stdout == ""


def test_a_photograph_is_measured_first(files, tmp_path, monkeypatch):
    """Measuring replaced by a made-up result: only what becomes of it is looked at."""
    from tests.support.made_up import asking, from_truth

    results = iter([from_truth("heron-unstrung", spots=False), asking()])
    monkeypatch.setattr("tillerlens.cli.pictures.measure_one", lambda *_: MeasuredPicture(next(results), None))
    (tmp_path / "bow.jpg").write_bytes(b"")
    truth = files("a.json", from_truth("heron-unstrung", spots=False))
    done = run("compare", truth, tmp_path / "bow.jpg")
    assert done.exit_code == 0 and done.stdout.startswith("The two pictures show no set")
    done = run("compare", truth, tmp_path / "bow.jpg")
    assert done.exit_code == 2 and "was not measured" in done.stderr


def test_a_scraped_place_that_is_none(files):
    a = files("a.json", drawn())
    done = run("compare", a, a, "--scraped", "left 3 4")
    assert done.exit_code == 2 and "not a scraped place" in done.stderr


def test_stages_of_the_record_bring_their_scrapings(record, heron):  # noqa: F811
    done = run("compare", "Heron:2", "Heron:3", "--record", record.folder)
    assert done.exit_code == 0 and done.stdout.startswith("It worked: the lower limb bends 20 % more")


@pytest.mark.parametrize("ending", ["pdf", "html"])
def test_a_bows_report(record, heron, tmp_path, ending):  # noqa: F811
    out = tmp_path / f"heron.{ending}"
    done = run("report", "Heron", "--out", out, "--record", record.folder, "--json")
    assert done.exit_code == 0 and json.loads(done.stdout)["stages"] == 5
    assert out.read_bytes().startswith(b"%PDF" if ending == "pdf" else b"<!doctype html>")


def test_a_report_of_files(files, tmp_path):
    out = tmp_path / "r.html"
    done = run("report", files("a.json", document(flat, flat)), files("b.json", drawn()), "--out", out, "--name", "Wren")
    assert done.exit_code == 0 and "dates are the files&#39; own" in out.read_text()


def test_a_report_that_cannot_be_made(record, tmp_path):  # noqa: F811
    assert run("report", "Heron", "--out", tmp_path / "r.doc", "--record", record.folder).exit_code == 2
    done = run("report", "nobody", "--out", tmp_path / "r.pdf", "--record", record.folder)
    assert done.exit_code == 2 and "There is no bow 'nobody'" in done.stderr and not (tmp_path / "r.pdf").exists()


def test_the_shelf_sorted_and_as_csv(record, heron, tmp_path):  # noqa: F811
    out = tmp_path / "shelf.csv"
    done = run("shelf", "--by", "weight_lb", "--falling", "--csv", out, "--record", record.folder)
    assert done.exit_code == 0 and "Heron" in done.stdout and "47.0" in done.stdout
    assert out.read_text().splitlines()[1].startswith("Heron,ash,64.0")
    (line,) = json.loads(run("shelf", "--record", record.folder, "--json").stdout)
    assert line["name"] == "Heron"
    assert run("shelf", "--by", "luck", "--record", record.folder).exit_code == 2
