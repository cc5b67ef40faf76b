"""What can be read, and that it is read from the journal and the last status."""

import time
from contextlib import closing

import httpx
import jsonschema
import pytest
from fake_daemon import PLAN, RUN, claim

from soakd.clock import utc_text
from soakd.model.plan import Plan, Stage
from soakd.model.run import RunRecord
from soakd.model.snapshot import Snapshot
from soakd.model.verdict import Verdict
from soakd.rules.envelope import opened, signed_bytes
from soakd.rules.gather import Gatherer
from soakd.rules.judge import judge
from soakd.service.bench_key import BenchKey
from soakd.store.journal import Journal
from soakd.store.ledger import Ledger
from soakd.store.writer import Writer

SNAPSHOT = Snapshot(
    machine="x", logical_cores=2, cores_allowed="0-1", memory_total_mib=1, swap_total_mib=0, kernel="k", boot_id="b"
)


def judged(run_id):
    run = RunRecord(
        run_id=run_id,
        soakd_version="0",
        started_utc=utc_text(time.time()),
        boot_id="b",
        drill=False,
        plan=Plan(version=1, name="P", stages=(Stage(name="s", workload="integer", duration=2.0),)),
        sheet=None,
        snapshot=SNAPSHOT,
        fingerprint="f" * 64,
        classes={"integer/streams widest": "scalar"},
        cores=(0,),
        channels=(),
        bounds=(),
        cautions=(),
    )
    evidence = Gatherer(run, {"integer": "ops"}).evidence(
        finished_utc=utc_text(time.time()), same_boot=True, suspended_s=0.0, snapshot_after=None
    )
    return run, judge(run, evidence)


@pytest.fixture
def client(shared):
    with shared.client() as made:
        yield made


def added(client, **more):
    answer = client.post("/api/v1/entries", json={"plan": PLAN, **more})
    assert answer.status_code == 201, answer.text
    return answer


def test_status_is_the_last_that_the_daemon_pushed(shared, client):
    shared.run = {**RUN, "rounds": 41}
    shared.push_status()
    time.sleep(0.2)
    status = client.get("/api/v1/status").json()
    assert status["run"]["rounds"] == 41
    assert status["run"]["nearest"]["margin"] == 10.0
    shared.run = None
    shared.push_status()
    time.sleep(0.2)
    assert client.get("/api/v1/status").json()["run"] is None


def test_an_added_entry_is_found_where_location_says(client):
    answer = added(client, sheet={"version": 1, "name": "S"}, priority=3)
    found = client.get(answer.headers["location"])
    assert found.json() == answer.json()
    assert found.json()["sheet"]["name"] == "S"


def test_the_beginning_of_an_identifier_is_enough_while_it_names_one(client):
    identifiers = [added(client).json()["entry_id"] for _ in range(17)]
    assert client.get(f"/api/v1/entries/{identifiers[0][:11]}").json()["entry_id"] == identifiers[0]
    firsts = [identifier[0] for identifier in identifiers]
    shared_first = next(first for first in firsts if firsts.count(first) > 1)  # 17 identifiers, 16 digits
    several = client.get(f"/api/v1/entries/{shared_first}")
    assert several.status_code == 422
    assert "several" in several.json()["detail"]


def test_the_list_is_bounded_and_the_bound_is_checked(client):
    for _ in range(3):
        added(client)
    assert len(client.get("/api/v1/entries?most=2").json()["entries"]) == 2
    for wrong in ("0", "1001", "x", "-1", "1e3", ""):
        assert client.get("/api/v1/entries", params={"most": wrong}).status_code == 422


def test_verdicts_come_from_the_ledger(shared, client):
    assert client.get("/api/v1/verdicts/last").status_code == 404
    run, verdict = judged("cafe11112222")
    writer = Writer(shared.home / "journal.db")
    Journal(writer).begin(run)
    Journal(writer).finish(verdict)
    writer.close()
    assert [line["run_id"] for line in client.get("/api/v1/verdicts").json()["verdicts"]] == ["cafe11112222"]
    for wanted in ("cafe11112222", "cafe", "last"):
        assert Verdict.model_validate_json(client.get(f"/api/v1/verdicts/{wanted}").content) == verdict
    unknown = client.get("/api/v1/verdicts/beef")
    assert (unknown.status_code, unknown.json()["code"]) == (404, "usage")


def test_a_verdict_is_handed_out_as_it_was_signed(shared, client):
    """Byte for byte what `soakd verdict export` writes; one that is unsigned is not there."""
    key = BenchKey(shared.home / "bench.key")
    key.renew()
    for run_id, signer in (("5161aaaabbbb", key), ("0f0faaaabbbb", None)):
        run, verdict = judged(run_id)
        writer = Writer(shared.home / "journal.db")
        Journal(writer).begin(run)
        Journal(writer, signer).finish(verdict)
        writer.close()
    answer = client.get("/api/v1/verdicts/5161/envelope")
    with closing(Ledger(shared.home / "journal.db")) as ledger:
        assert answer.content == ledger.envelope("5161aaaabbbb").encode() + b"\n"
    assert key.public().verifies(*signature_of(answer.content))
    unsigned = client.get("/api/v1/verdicts/0f0faaaabbbb/envelope")
    assert (unsigned.status_code, unsigned.json()["code"]) == (404, "usage")
    assert "is unsigned" in unsigned.json()["detail"]


def signature_of(raw):
    """A signature and what it is over."""
    parts = opened(raw[:-1])
    return parts.signature, signed_bytes(parts.payload)


@pytest.mark.parametrize("what", ["entries", "verdicts"])
@pytest.mark.parametrize(
    "identifier",
    ["..", "%2e%2e", "..%2f..%2fetc%2fpasswd", "%00", "a%0a", "*", "%25", "' OR 1=1 --", "a/b", "x" * 65, "ü", "%ff"],
)
def test_an_identifier_is_looked_up_and_never_a_path_or_a_pattern(client, what, identifier):
    answer = client.get(f"/api/v1/{what}/{identifier}")
    assert answer.status_code in {404, 422}
    assert answer.headers["content-type"] == "application/problem+json"


def test_what_runs_is_neither_held_nor_moved(shared, client):
    entry_id = added(client).json()["entry_id"]
    claim(shared.home, entry_id)
    for verb, body in (("hold", {}), ("cancel", {}), ("place", {"place": 1, "priority": 0})):
        answer = client.post(f"/api/v1/entries/{entry_id}/{verb}", json=body)
        assert (answer.status_code, answer.json()["code"]) == (409, "state"), verb


def test_the_description_covers_every_route_and_its_schemas_are_valid(shared, client):
    document = client.get("/api/v1/openapi.json").json()
    assert set(document["paths"]) == {
        f"/api/v1{path}"
        for path in (
            "/status", "/entries", "/entries/check", "/entries/{entry_id}", "/entries/{entry_id}/hold",
            "/entries/{entry_id}/release", "/entries/{entry_id}/cancel", "/entries/{entry_id}/place", "/stop", "/drill",
            "/verdicts", "/verdicts/{run_id}", "/verdicts/{run_id}/envelope", "/verdicts/{run_id}/readings", "/events",
            "/rehearsals", "/rehearsals/{rehearsal_id}", "/rehearsals/{rehearsal_id}/give-up",
        )
    }  # fmt: skip
    schemas = document["components"]["schemas"]
    for schema in schemas.values():
        jsonschema.Draft202012Validator.check_schema(schema)
    status = {"$ref": "#/components/schemas/Status", "components": {"schemas": schemas}}
    jsonschema.validate(client.get("/api/v1/status").json(), status)


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/openapi.json", "/api/v1", "/api/v1/status/", "/api/v2/status"])
def test_there_is_nothing_else(client, path):
    assert client.get(path).status_code == 404


def test_a_daemon_that_says_nothing_is_not_shown_as_well(start):
    daemon = start(limits={"silent_s": 1.0})
    daemon.muted.set()
    time.sleep(1.7)
    with daemon.client() as client:
        answer = client.get("/api/v1/status")
        assert (answer.status_code, answer.json()["code"]) == (503, "unreachable")
        daemon.push_status()
        time.sleep(0.2)
        assert client.get("/api/v1/status").status_code == 200


def test_metrics_are_what_the_daemon_pushed_last(shared, client):
    assert client.get("/metrics").status_code == 503
    shared.push(metrics="# TYPE x gauge\nx 1\n# EOF\n")
    time.sleep(0.2)
    answer = client.get("/metrics")
    assert answer.text == "# TYPE x gauge\nx 1\n# EOF\n"
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    assert httpx.get(f"http://{shared.api.tcp}/metrics").status_code == 401, "behind the same door"
