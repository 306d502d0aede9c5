"""The calls against their own description: made-up right and wrong data, answers held against their shapes.

``DESK_CALLS`` sets how many calls are made: some 300 in the usual run, 2,000 and more before a release. The
data are made by the schema-driven tester; half of the calls are meant to be taken, half to be refused.
"""

from __future__ import annotations

import json
import os
import re
import warnings
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

schemathesis = pytest.importorskip("schemathesis", reason="the schema-driven tester is not installed")

from schemathesis import GenerationMode, engine  # noqa: E402
from schemathesis.config import SchemathesisConfig  # noqa: E402
from schemathesis.engine import events  # noqa: E402

from audiodiag.desk.api.calls import PREFIX, calls  # noqa: E402
from audiodiag.desk.api.description import description  # noqa: E402
from audiodiag.desk.settings import Limits  # noqa: E402
from audiodiag.desk.visitors import Visitor, case_link, session_of  # noqa: E402
from tests.desk.conftest import BASE, HOST, Desk  # noqa: E402

CALLS = int(os.environ.get("DESK_CALLS", "300"))
ENDLESS = Limits(
    spare_disk_bytes=0, posts_a_minute=10**9, pieces_a_minute=10**9, uploads_an_hour=10**9,
    waiting_jobs=10**9, recordings_a_case=10**9,
)  # fmt: skip
RULES = {
    "checks": {"positive_data_acceptance": {"expected-statuses": ["2xx", "403", "404", "409", "413", "422"]}},
    "generation": {"with-security-parameters": False},
}
"""413 and 422 are for what has the right shape and still cannot be; 400, a breach of the shape, never is."""


class Described:
    """A desk with a case that holds one of everything, and its description as the tester reads it."""

    def __init__(self, folder: Path) -> None:
        self.desk = Desk(folder, limits=ENDLESS)
        self.key = self.desk.case("the blue van", words="squeals")
        recordings = [self.desk.recording(self.key) for _ in range(3)]
        client = self.client = self.desk.advisor()
        here = f"{PREFIX}/cases/{self.key}"
        self.ids = {
            "key": self.key,
            "recording": recordings[0],
            "mark": client.post(
                f"{here}/recordings/{recordings[0]}/marks",
                json={"symptom": "belt_squeal", "start_s": 1, "end_s": 2},
            ).json()["mark"],
            "upload": client.post(f"{here}/uploads", json={"name": "a.m4a", "size_bytes": 10**6}).json()[
                "upload"
            ],
            "comparison": client.post(
                f"{here}/comparisons", json={"before": recordings[:1], "after": recordings[1:2]}
            ).json()["comparison"],
            "task": client.post(f"{here}/reports", json={"recordings": recordings[:1]}).json()["task"],
            "link": client.post(f"{here}/links", json={}).json()["link"],
            "block": client.post(f"{PREFIX}/blocks", json={"title": "Belt", "text": "Look."}).json()["block"],
            "file": 1,
        }
        self.schema = self.read()

    def read(self, **rules) -> schemathesis.openapi.OpenApiSchema:
        """Give the description as the tester reads it."""
        told = json.loads(json.dumps(description(self.desk.settings)))
        schema = schemathesis.openapi.from_dict(told, config=SchemathesisConfig.from_dict({**RULES, **rules}))
        schema.app = self._asgi
        return schema

    async def _asgi(self, scope, receive, send) -> None:
        """The application without its queue of workers, called as the desk's own page calls it."""
        if scope["type"] == "lifespan":
            raise RuntimeError("no lifespan here")
        others = [(name, value) for name, value in scope["headers"] if name not in (b"host", b"origin")]
        ours = [(b"host", HOST.encode()), (b"origin", BASE.encode())]
        scope = {**scope, "headers": [*others, *ours]}
        await self.desk.app(scope, receive, send)

    def name_real_recordings(self, case) -> None:
        """Half of the lists of recordings name some that are there."""
        if not isinstance(case.body, dict) or len(str(case.body)) % 2:
            return
        for name, some in (("recordings", [1, 2, 3]), ("before", [1]), ("after", [2, 3])):
            if name in case.body:
                case.body[name] = some

    def headers(self, role: str) -> dict[str, str]:
        """Give a session; an owner's link is a new one, for calls may take the others back."""
        _, link = case_link(self.desk.room.signer, self.desk.room.store, 1, days=1, who="x")
        visitor = Visitor("advisor", "one") if role == "advisor" else Visitor("owner", "two", (link.id,))
        token = session_of(self.desk.room.signer, visitor)
        return {"Cookie": f"{self.desk.settings.cookie}={token}"}


@pytest.fixture(scope="module")
def described(tmp_path_factory):
    made = Described(tmp_path_factory.mktemp("desk") / "d")
    yield made
    made.desk.room.close()


def _operations(described: Described) -> list:
    """All calls; those that take something away come last, so that the others find it."""
    found = [each.ok() for each in described.schema.get_all_operations()]
    return sorted(found, key=lambda operation: operation.method.upper() == "DELETE")


def test_every_call_of_the_table_is_described(described):
    told = {(each.method.upper(), each.path) for each in _operations(described)}
    assert told == {(call.method, call.path) for call in calls()}


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_made_up_calls_keep_to_the_description(described, mode):
    operations = _operations(described)
    codes: Counter[int] = Counter()

    def some(operation) -> st.SearchStrategy:
        named = {name: described.ids[name] for name in re.findall(r"\{(\w+)\}", operation.path)}
        real = operation.as_strategy(generation_mode=mode, path_parameters=named)
        if not (named or operation.query or operation.body):
            return operation.as_strategy()  # nothing in it can be wrong
        strange = operation.as_strategy(generation_mode=mode)
        if mode is GenerationMode.NEGATIVE and not operation.query and not operation.body:
            return strange  # nothing but the address can be wrong
        return st.integers(0, 3).flatmap(lambda number: real if number else strange)

    each = max(1, CALLS // 2 // len(operations))
    for operation in operations:

        @seed(8)
        @settings(
            max_examples=each,
            deadline=None,
            database=None,
            derandomize=False,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=some(operation), role=st.sampled_from(["advisor", "advisor", "advisor", "owner"]))
        def call(case, role):
            if mode is GenerationMode.POSITIVE:
                described.name_real_recordings(case)
            answer = case.call(base_url=f"{BASE}{PREFIX}", headers=described.headers(role))
            codes[answer.status_code] += 1
            case.validate_response(answer)

        call()
    assert max(codes) < 500, codes
    print(f"\n{mode.value}: {sum(codes.values())} calls, {dict(sorted(codes.items()))}")


def test_edges_of_every_value_and_calls_after_each_other(described):
    """The tester's own engine: one made-up call each, and in the long run every edge, and whole sequences."""
    long = CALLS >= 2000
    lasting = ("key", "recording", "comparison", "task")
    schema = described.read(
        seed=8,
        headers=described.headers("advisor"),
        parameters={f"path.{name}": described.ids[name] for name in lasting},
        generation={**RULES["generation"], "max-examples": CALLS // 200 or 1},
        phases={"coverage": {"enabled": long}, "stateful": {"enabled": long}},
        **{"base-url": f"{BASE}{PREFIX}"},
    )
    codes: Counter[int] = Counter()
    wrong = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # those of the tester about its own guesses
        for event in engine.from_schema(schema).execute():
            if isinstance(event, events.FatalError | events.NonFatalError):
                wrong.append(str(event.info))
            if not isinstance(event, events.ScenarioFinished):
                continue
            codes.update(each.response.status_code for each in event.recorder.interactions.values())
            for checks in event.recorder.checks.values():
                wrong += [
                    f"{event.recorder.label}, {check.name}: {check.failure_info.failure.message}"
                    for check in checks
                    if check.status is engine.Status.FAILURE
                    and not _only_the_address(check.failure_info.failure.message)
                    and not _only_before_it_is_sent(event.recorder.label, check.failure_info.failure.message)
                ]
    print(f"\nengine: {sum(codes.values())} calls, {dict(sorted(codes.items()))}")
    assert wrong == []
    assert max(codes) < 500
    assert sum(codes.values()) > (1000 if long else 40)


def _only_the_address(message: str) -> bool:
    """Tell a complaint about an address that was made wrong and then replaced by the one that is there."""
    return "Invalid component: parameter `" in message and "` in path - " in message


def _only_before_it_is_sent(label: str, message: str) -> bool:
    """Tell a complaint about a form field made of another type: a form sends every value as text."""
    form = label == "POST /cases/{key}/recordings"
    return (
        form and "in body - violates `type` at /properties/" in message and "(was string, became" in message
    )
