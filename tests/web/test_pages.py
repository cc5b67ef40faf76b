"""The pages at the door and on the first one: who is let in, what is told, and that it is what the API tells."""

import json
import re
import time

import pytest
from fake_daemon import free_port
from night_feed import RUN_ID, Feed, night

HTML = {"accept": "text/html"}


@pytest.fixture(scope="module")
def told():
    return night()


@pytest.fixture
def visitor(shared):
    """On TCP, as a browser is: it sends where it comes from, and follows nothing by itself."""
    import httpx

    origin = f"http://{shared.api.tcp}"
    with httpx.Client(base_url=origin, headers={**HTML, "origin": origin}, timeout=20.0) as client:
        yield client


def signed_in(visitor, shared, role):
    answer = visitor.post("/sign-in", data={"token": shared.tokens[role], "next": "/queue"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/queue")
    return answer


def test_a_stranger_is_led_to_the_door(visitor):
    answer = visitor.get("/")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=/")
    door = visitor.get("/sign-in?next=/ledger")
    assert door.status_code == 200
    assert 'value="/ledger"' in door.text
    assert visitor.get("/api/v1/status").status_code == 401, "a program is told, not led"
    assert visitor.get("/live").status_code == 401


def test_a_token_opens_and_is_kept_where_no_script_can_read_it(visitor, shared):
    cookie = signed_in(visitor, shared, "look").headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    page = visitor.get("/")
    assert page.status_code == 200
    assert "which may only look" in page.text
    out = visitor.post("/sign-out", data={"": ""})
    assert out.status_code == 303
    assert visitor.get("/").status_code == 303


def test_a_wrong_token_is_refused_in_words(visitor):
    answer = visitor.post("/sign-in", data={"token": "guess"})
    assert answer.status_code == 401
    assert "this needs a token that is known here" in answer.text
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("next_", ["//elsewhere.example", "/\\elsewhere.example", "https://elsewhere.example", "/live"])
def test_signing_in_leads_nowhere_else(visitor, shared, next_):
    answer = visitor.post("/sign-in", data={"token": shared.tokens["look"], "next": next_})
    assert answer.headers["location"] == "/"


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "null", None])
@pytest.mark.parametrize("path", ["/stop", "/sign-in", "/sign-out"])
def test_no_other_sites_form_is_taken(visitor, shared, path, origin):
    signed_in(visitor, shared, "operate")
    headers = {"origin": origin} if origin else {}
    if origin is None:
        del visitor.headers["origin"]
    answer = visitor.post(path, data={"token": shared.tokens["operate"]}, headers=headers)
    assert answer.status_code in {403, 415}, "415: without an origin it is held to be a program, which sends JSON"


def test_a_form_is_taken_nowhere_but_where_it_has_to_be(visitor, shared):
    signed_in(visitor, shared, "operate")
    assert visitor.post("/api/v1/stop", data={"reason": "x"}).status_code == 415


def test_who_may_look_may_not_stop(visitor, shared):
    signed_in(visitor, shared, "look")
    assert "may look, but not stop anything" in visitor.get("/stop").text
    assert visitor.post("/stop", data={"reason": ""}).status_code == 403


def test_stopping_needs_no_script(visitor, shared):
    signed_in(visitor, shared, "operate")
    ask = visitor.get("/stop").text
    assert '<form method="post" action="/stop"' in ask
    assert "<script" in ask, "live.js is there; the form needs none of it"
    assert "No soak was on" in visitor.post("/stop", data={"reason": "smoke"}).text


def test_pages_allow_nothing_from_elsewhere(visitor, shared):
    signed_in(visitor, shared, "look")
    page = visitor.get("/")
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert not re.search(r"<script(?![^>]*\bsrc=)", page.text)
    assert not re.search(r"\sstyle=|\son\w+=", page.text)
    for address in re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text):
        answer = visitor.get(address)
        assert (answer.status_code, "immutable" in answer.headers["cache-control"]) == (200, True), address
    assert visitor.get("/static/frame.html").status_code == 404
    assert visitor.get("/static/..%2f__init__.py").status_code == 404


def test_a_page_that_does_not_exist_says_so_as_a_page(visitor, shared):
    signed_in(visitor, shared, "look")
    answer = visitor.get("/nowhere")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")


def parts(answer):
    """What each `parts` message told."""
    text = ""
    for piece in answer.iter_text():
        text += piece
        *whole, text = text.split("\n\n")
        for block in whole:
            if "event: parts" in block:
                yield json.loads(block.partition("data: ")[2])


def test_a_night_is_followed_from_wherever_a_page_is_opened(start, told):
    daemon = start(tcp=f"127.0.0.1:{free_port()}")
    feed = Feed(daemon, told).begin()
    try:
        feed.until(500.0)
        deadline = time.monotonic() + 60
        with daemon.client(headers=HTML) as client:
            proven = feed.progress.rounds
            while f"{proven} rounds checked" not in (page := client.get("/")).text:
                assert time.monotonic() < deadline, page.text
            assert client.get("/api/v1/status").json()["run"]["rounds"] == proven
            assert "Good so far" in page.text
            assert "Stage 1 of 4, Heat" in page.text
            assert "CET" in page.text or "UTC" in page.text
            with client.stream("GET", "/live") as answer:
                told_parts = parts(answer)
                first = next(told_parts)
                assert set(first["parts"]) >= {"beacon", "outcome", "strips", "grid"}
                feed.until(1000.0, pause_s=0.0)
                later = next(each for each in told_parts if "Stage 3 of 4, Memory" in each["parts"].get("band", ""))
                assert later["reading_age_s"] < 5.0
                feed.finish()
                ended = next(each for each in told_parts if "No soak is on" in each["parts"].get("outcome", ""))
                assert RUN_ID in ended["parts"]["outcome"]
    finally:
        feed.close()
