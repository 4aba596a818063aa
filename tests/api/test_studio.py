"""The studio over HTTP."""

import pytest

from tests.api.conftest import Caller
from tests.api.test_doors import is_problem, pointers

TIN_PIER = {"name": "Tin Pier Pictures", "time_zone": "Europe/London", "day_starts_at": "05:00"}


def test_studio_has_defaults_before_it_is_set(reader: Caller) -> None:
    assert reader.get("/v1/studio").json() == {
        "name": "",
        "time_zone": "UTC",
        "day_starts_at": "05:00",
        "plate_minimum_frames": 25,
        "terminals_may_decide": False,
        "rev": 0,
    }


def test_studio_is_set_whole(admin: Caller) -> None:
    first = admin.send("PUT", "/v1/studio", json={**TIN_PIER, "plate_minimum_frames": 40, "terminals_may_decide": True})
    assert first.status_code == 200, first.text
    assert (first.json()["plate_minimum_frames"], first.json()["rev"]) == (40, 1)
    is_problem(admin.send("PUT", "/v1/studio", json=TIN_PIER), 428, "missing-precondition")
    is_problem(admin.send("PUT", "/v1/studio", json=TIN_PIER, headers={"If-Match": '"0.0"'}), 412, "stale")
    second = admin.send("PUT", "/v1/studio", json=TIN_PIER, headers={"If-Match": first.headers["ETag"]})
    assert second.json() == {**TIN_PIER, "plate_minimum_frames": 25, "terminals_may_decide": False, "rev": 2}
    assert admin.get("/v1/studio").json() == second.json()


@pytest.mark.parametrize(
    ("field", "value", "name"),
    [
        ("time_zone", "Europe/Atlantis", "unfit-fields"),
        ("time_zone", "../../etc/passwd", "unfit-fields"),
        ("time_zone", "", "unfit-fields"),
        ("time_zone", "x" * 65, "invalid-request"),
        ("time_zone", 1, "invalid-request"),
        ("day_starts_at", "24:00", "invalid-request"),
        ("day_starts_at", "5:00", "invalid-request"),
        ("day_starts_at", "05:00:00", "invalid-request"),
        ("day_starts_at", 300, "invalid-request"),
        ("day_starts_at", "\u0660\u0665:00", "invalid-request"),
        ("plate_minimum_frames", 0, "invalid-request"),
        ("plate_minimum_frames", True, "invalid-request"),
        ("plate_minimum_frames", 1.0, "invalid-request"),
        ("plate_minimum_frames", 10**30, "invalid-request"),
        ("terminals_may_decide", 1, "invalid-request"),
        ("terminals_may_decide", "yes", "invalid-request"),
    ],
)
def test_wrong_field_stores_nothing(admin: Caller, field: str, value: object, name: str) -> None:
    response = admin.send("PUT", "/v1/studio", json={**TIN_PIER, field: value})
    assert pointers(is_problem(response, 422, name)) == [f"#/{field}"]
    assert admin.get("/v1/studio").json()["rev"] == 0


def test_coordinator_may_not_set_the_studio(coordinator: Caller) -> None:
    is_problem(coordinator.send("PUT", "/v1/studio", json=TIN_PIER), 403, "scope-too-narrow")
