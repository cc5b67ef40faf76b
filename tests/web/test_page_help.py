"""Help: cautions first; every document of shared/docs is there, and every link of theirs leads somewhere."""

import re

import pytest

from soakd.config.shipped import data_root
from soakd.web import guide
from soakd.workloads.catalog import workloads

HTML = {"accept": "text/html"}
DOCS = data_root() / "shared" / "docs"
HAZARDS = ("voltage", "heat", "unattended", "fire", "data", "makers", "code")


@pytest.fixture
def client(shared):
    with shared.client(headers=HTML) as made:
        yield made


def test_cautions_stand_first_and_leave_nothing_out(client):
    text = client.get("/help").text
    begin, words = text.index('id="h-cautions"'), text.index('id="h-words"')
    assert begin < words
    assert all(hazard in text[begin:words].lower() for hazard in HAZARDS)


def test_every_workload_says_what_it_cannot_catch(client):
    text = client.get("/help").text
    assert re.findall(r"<code>(\w+/\w+)</code>", text) == list(workloads())
    assert text.count("<dt>cannot catch</dt>") == len(workloads())


def test_every_document_is_listed_and_shown_and_says_what_the_file_says(client):
    listed = set(re.findall(r'<li><a href="/help/([a-z-]+)">', client.get("/help").text))
    assert listed == set(guide.names()) - {"cautions", "words"}
    for name in guide.names():
        answer = client.get(f"/help/{name}")
        assert answer.status_code == 200
        assert "style=" not in answer.text, "the policy forbids it"
        title = (DOCS / f"{name}.md").read_text().splitlines()[0].removeprefix("# ")
        assert f"<title>{title.replace('&', '&amp;')} · soakd</title>" in answer.text


def test_every_link_leads_somewhere(client):
    anchors = {name: set(re.findall(r' id="([^"]+)"', guide.document(name).html)) for name in guide.names()}
    for name in guide.names():
        for address in re.findall(r'(?:href|src)="([^"]+)"', guide.document(name).html):
            path, _, anchor = address.partition("#")
            if ":" in path:
                continue
            target = path.removeprefix("/help/") or name
            if target.startswith("files/"):
                assert client.get(path).status_code == 200
            else:
                assert target in anchors, f"{name}: {address}"
                assert not anchor or anchor in anchors[target], f"{name}: {address}"


def test_pictures_and_tables_beside_a_document_are_served_as_they_are(client):
    picture = client.get("/help/files/accelerator-stop.svg")
    assert picture.headers["content-type"] == "image/svg+xml"
    assert picture.content == (DOCS / "accelerator-stop.svg").read_bytes()


@pytest.mark.parametrize(
    "path",
    ["/help/none", "/help/..%2f..%2fREADME", "/help/files/..%2fwords.md", "/help/files/words.md", "/help/files/x.svg"],
)
def test_nothing_else_is(client, path):
    assert client.get(path).status_code == 404


def test_raw_html_stays_text(tmp_path, monkeypatch):
    (tmp_path / "bad.md").write_text(
        "# A <b>b</b>\n\n<script>alert(1)</script>\n\n[x](javascript:alert(1))\n\n| a |\n|--:|\n| 1 |\n"
    )
    monkeypatch.setattr(guide, "folder", lambda: tmp_path)
    guide.names.cache_clear()
    html = guide.document("bad").html
    guide.names.cache_clear()
    guide.document.cache_clear()
    assert "<script" not in html
    assert "<b>" not in html
    assert 'href="javascript' not in html
    assert '<td class="right">1</td>' in html


def test_the_glossary_has_every_word_once():
    text = (DOCS / "words.md").read_text()
    words = re.findall(r"^\| ([a-z ]+) \|", text, re.MULTILINE)
    words = [word for word in words if word != "word"]
    assert len(set(words)) == len(words)
    wanted = (
        "bench", "sheet", "snapshot", "fingerprint", "operating point", "workload", "stage", "load pattern", "plan",
        "entry", "run", "round", "reading", "gap", "channel", "role", "limit", "breach", "guard", "limiter", "evidence",
        "verdict", "ledger", "standing", "lead", "drill", "rehearsal",
    )  # fmt: skip
    assert set(wanted) <= set(words)
