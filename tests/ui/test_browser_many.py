"""Several people in real browsers who measure at once: each gets, byte for byte, what one would get alone."""

from tests.support.in_browser import marks, running_app
from tests.support.many_browsers import alone, bow_with, differing, visit_all
from tillerlens.record import open_record

pytestmark = marks
FOUR = ("bramble-drawn-grid", "heron-braced", "heron-unstrung", "plover-drawn-sun")


def test_four_sessions_at_once_keep_the_documents_of_one_alone(tmp_path):
    expected = {f"{name}.jpg": alone(name) for name in FOUR}
    with running_app(tmp_path) as url, open_record(tmp_path / "record") as record:
        kept = [bow_with(record, name, [name]) for name in FOUR]
        trouble = visit_all(url, [[f"stage?bow={bow.id}&stage={stages[0].id}"] for bow, stages in kept])
        assert trouble == []
        assert differing(record, [s for _, stages in kept for s in stages], expected) == []
    log = (tmp_path / "log").read_text(encoding="utf-8")
    assert "Traceback" not in log and "ERROR" not in log, log
