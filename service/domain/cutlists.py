"""Cut lists: what the edit says of the shots, read from an edit decision list, a table (CSV) or a document (JSON)."""

from service.domain.findings import Finding, FindingKind, ListUnreadable
from service.domain.readings import ListFormat, NameFrom, Reading
from service.domain.uses import CutList, Use

__all__ = ["CutList", "Finding", "FindingKind", "ListFormat", "ListUnreadable", "NameFrom", "Reading", "Use"]
