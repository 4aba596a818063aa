"""The words of notices: plain, whole without opening anything, in the reader's time, silent about anybody's speed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from types import MappingProxyType
from urllib.parse import quote

from service.domain import shotsayings, stagesayings
from service.domain.notices import Notice, NoticeKind, is_own
from service.domain.shifts import POWER_CAUTION
from service.domain.told import Said, Told

LAMP_CAUTION = "Hot lamps: keep clear of paper, gel and foam; never leave on unattended."
LIFTING_CAUTION = "Weights and rigging are not checked here; a trained person decides."
CAUTIONS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        NoticeKind.POWER_DOWN_UNCONFIRMED: (POWER_CAUTION,),
        NoticeKind.STAGE_FREES: (LIFTING_CAUTION,),
        NoticeKind.PLATE_DUE: (LAMP_CAUTION, LIFTING_CAUTION),
    }
)
"""What is said with a notice where its subject can hurt somebody."""

MOST_TOLD = 50
"""How many notices a message spells out; of more it says how many."""

TELLERS = {**shotsayings.TELLERS, **stagesayings.TELLERS}
ONCE_OVER = {**shotsayings.ONCE_OVER, **stagesayings.ONCE_OVER}


@dataclass(frozen=True, slots=True)
class Words:
    """A notice in words: a `headline`, `sentences` that say all, where to look (`path`, from the service's root)."""

    headline: str
    sentences: tuple[str, ...]
    path: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Message:
    """What a person is sent: one line, the whole as text and as HTML."""

    subject: str
    text: str
    html: str


def words(notice: Notice, time_zone: str) -> Words:
    """A notice in words, its times on the clock of a zone. Kinds of other workers bring their own text."""
    told = TELLERS.get(notice.kind, _of_another)(Told(notice, time_zone))
    over = ONCE_OVER.get(notice.kind) if notice.over else None
    headline, sentences = told if over is None else over(Told(notice, time_zone))
    return Words(
        " ".join(headline.split()),
        tuple(each for each in sentences if each),
        _path(notice),
        CAUTIONS.get(notice.kind, ()),
    )


def message(notices: Sequence[Notice], *, time_zone: str, root: str) -> Message:
    """One message of one or several notices, in their order; `root` is where the service is reached."""
    told = [words(each, time_zone) for each in notices[:MOST_TOLD]]
    left = len(notices) - len(told)
    subject = told[0].headline if len(notices) == 1 else f"{len(notices)} notices: {told[0].headline}, and others"
    more = f"{left} more are not spelt out here: {root}/v1/notices" if left else ""
    paragraphs = [
        "\n".join((each.headline, *each.sentences, *(f"Caution: {said}" for said in each.cautions), root + each.path))
        for each in told
    ]
    items = "".join(_html(each, root) for each in told)
    return Message(
        subject=subject[:200],
        text="\n\n".join(each for each in (*paragraphs, more) if each) + "\n",
        html=f'<!doctype html><html lang="en"><body>{items}{f"<p>{escape(more)}</p>" if more else ""}</body></html>\n',
    )


def _html(told: Words, root: str) -> str:
    said = "<br>".join(escape(each) for each in told.sentences)
    cautions = "".join(f"<p><strong>Caution:</strong> {escape(each)}</p>" for each in told.cautions)
    link = escape(root + told.path, quote=True)
    return f'<h3>{escape(told.headline)}</h3><p>{said}</p>{cautions}<p><a href="{link}">{link}</a></p>'


def _path(notice: Notice) -> str:
    facts = notice.facts
    if not is_own(notice.kind):
        # Other workers may have anything under these names.
        facts = {name: value for name, value in facts.items() if isinstance(value, str)}
    production, shot = facts.get("production"), facts.get("shot")
    of = f"/v1/productions/{quote(production or '', safe='')}"
    if notice.kind in {NoticeKind.REPORT_READY, NoticeKind.REPORT_REVISED}:
        return f"{of}/reports/nightly/{facts.get('day')}"
    if notice.shot_id is not None and production and shot:
        return f"{of}/shots/{quote(shot, safe='')}"
    if stage := facts.get("stage"):
        return f"/v1/stages/{quote(stage, safe='')}"
    places: dict[str, str] = {
        NoticeKind.COUNTS_UNMATCHED: "/v1/counts/unmatched",
        NoticeKind.CLASH: "/v1/clashes",
        NoticeKind.EVENT_SET_ASIDE: f"/v1/workers/{facts.get('worker')}",
    }
    return places.get(notice.kind, "/v1/notices")


def _of_another(told: Told) -> Said:
    said = str(told["text"] or "")
    return f"{told.notice.kind}: {said}"[:120], (said,)
