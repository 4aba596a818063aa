"""Shots."""

from dataclasses import dataclass

from sqlmodel import Session

from service.domain.codes import composed, is_code
from service.domain.refusals import Unknown
from service.store import shots as store
from service.store.tables import ProductionRow, ShotRow


@dataclass(eq=False)
class ShotUnknown(Unknown):
    """The production {production} has no shot {shot}."""

    production: str
    shot: str


def find(session: Session, production: ProductionRow, code: str, *, lock: bool = False) -> ShotRow:
    """The shot of this code in a production; raises ShotUnknown."""
    code = composed(code)
    row = store.by_code(session, production.id or 0, code, lock=lock) if is_code(code) else None
    if row is None:
        raise ShotUnknown(production.code, code)
    return row
