"""Productions and episodes over HTTP."""

from tests.api.conftest import Caller

LANTERN_BAY = {"code": "lantern-bay", "title": "Lantern Bay", "frame_rate": "50/2"}


def test_production_is_added_read_and_listed(coordinator: Caller, reader: Caller) -> None:
    added = coordinator.post("/v1/productions", LANTERN_BAY)
    assert added.status_code == 201, added.text
    assert added.headers["Location"] == "/v1/productions/lantern-bay"
    assert added.headers["ETag"] == '"1.0"'
    read = reader.get("/v1/productions/lantern-bay")
    assert (
        read.json()
        == added.json()
        == {
            "code": "lantern-bay",
            "title": "Lantern Bay",
            "frame_rate": "25/1",
            "rev": 1,
            "added_at": "2026-03-02T10:00:00Z",
        }
    )
    assert reader.get("/v1/productions").json() == {"items": [read.json()], "next": None}
