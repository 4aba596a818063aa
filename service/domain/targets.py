"""Targets: where a watch's messages go, as far as it can be judged without looking; the channel judges it in full."""

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

LONGEST_URL = 2_000
MOST_ADDRESSES = 20
MOST_CHARACTERS = 4_000


def fault(channel: str, target: Mapping[str, Any]) -> tuple[str, str] | None:
    """What of a target cannot be right, as (field, what would be); None where nothing is seen.

    Of a channel that is none of ours any object of texts, or lists of texts, may be.
    """
    match channel:
        case "webhook":
            return _only(target, "url") or _url(target["url"])
        case "email":
            return _only(target, "to") or _addresses(target["to"])
        case "folder":
            return _only(target, "folder") or _folder(target["folder"])
    size = sum(len(str(name)) + len(str(value)) for name, value in target.items())
    if size > MOST_CHARACTERS or not all(_texts(each) for each in target.values()):
        return "", f"A target is texts, or lists of texts, by name, of {MOST_CHARACTERS} characters in all."
    return None


def _only(target: Mapping[str, Any], field: str) -> tuple[str, str] | None:
    if set(target) == {field}:
        return None
    strange = next(iter(sorted(set(target) - {field})), field)
    return strange, f"The target of this channel has one field, `{field}`."


def _texts(value: object) -> bool:
    return isinstance(value, str) or (isinstance(value, list) and all(isinstance(each, str) for each in value))


def _url(url: object) -> tuple[str, str] | None:
    right = "Write https://HOST/PATH, without user and password; http:// is for networks the operator opened."
    if not isinstance(url, str) or len(url) > LONGEST_URL or not url.isascii() or not url.isprintable() or " " in url:
        return "url", right
    try:
        parts = urlsplit(url)
        fits = parts.scheme.lower() in {"http", "https"} and parts.hostname and "@" not in parts.netloc
        _ = parts.port
    except ValueError:
        return "url", right
    return None if fits and not parts.fragment else ("url", right)


def _addresses(to: object) -> tuple[str, str] | None:
    right = f"Give 1 to {MOST_ADDRESSES} addresses in a list, as kim@studio.example or Kim <kim@studio.example>."
    if not isinstance(to, list) or not 1 <= len(to) <= MOST_ADDRESSES:
        return "to", right
    fits = all(isinstance(each, str) and each.isprintable() and each.count("@") == 1 for each in to)
    return None if fits else ("to", right)


def _folder(folder: object) -> tuple[str, str] | None:
    steps = folder.replace("\\", "/").split("/") if isinstance(folder, str) else [".."]
    if ".." not in steps and ":" not in str(folder) and str(folder).isprintable() and steps[0] not in {"", "~"}:
        return None
    return "folder", "Name a folder below the operator's, as stages/north, without `..`."
