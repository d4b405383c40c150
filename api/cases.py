"""Cases kept over days: what is added to them, and the answer as it stood at each entry.

An answer is computed before anything is written, and written with the entry it belongs to in one
transaction. When another writer came first, all of it is done again from what stands now.
"""

from __future__ import annotations

import contextlib
import secrets
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from sqlalchemy.orm import Session

from api import case_models as c
from api.access import Caller
from api.case_views import facts_after, line_of, steps_of, view_of
from api.clock import moment, now_us
from api.once import answered_before, do_once
from api.replies import as_object, reply_with
from api.storage import case_store as store
from api.storage.case_store import Given, Once, Reply
from api.storage.database import MOST_TRIES, Database
from api.storage.errors import BusyError, LostRaceError, StorageError
from api.storage.sweep import sweep
from api.storage.tables import CaseRow, EntryRow, PersonRow
from engine.answer import KbStamp, TriageAnswer
from engine.case import TriageRequest
from engine.casefile import Observed, Withdrawn
from engine.errors import InputError, InputIssue, PrepullError, UnknownEntryError
from engine.facts import read_facts
from engine.nearest import nearest
from engine.triage import Triage

if TYPE_CHECKING:
    from api.notices import Notices

STRIPES = 64


class StaleError(PrepullError):
    """The case is not as the caller last saw it; `etag` is that of the case as it is."""

    def __init__(self, etag: str) -> None:
        self.etag = etag
        super().__init__(f"the case was changed meanwhile; it has the ETag {etag} now")


@dataclass(frozen=True)
class Asked:
    """What comes with a call that changes something: by whom, and the two headers that guard it."""

    caller: Caller
    once: Once | None = None
    if_match: str | None = None


def etag(case: CaseRow) -> str:
    """Return the ETag of a case."""
    return c.etag_at(case.revision)


def matches(if_match: str, tag: str) -> bool:
    """Tell whether an If-Match header names this tag, compared strongly (RFC 9110, 13.1.1)."""
    named = {part.strip() for part in if_match.split(",")}
    return "*" in named or tag in named


class Cases:
    """The cases of one database, answered by one knowledge base. Safe to share between threads."""

    def __init__(
        self,
        database: Database,
        triage: Triage,
        notices: Notices | None = None,
        clock: Callable[[], int] = now_us,
        told: Callable[[str], None] = lambda verdict: None,
    ) -> None:
        self.database = database
        self.triage = triage
        self.notices = notices
        self.told = told
        self.clock = clock
        # Writers of one case queue here, so that an answer is not computed to be thrown away.
        self._queues = [threading.Lock() for _ in range(STRIPES)]

    # Reading ---------------------------------------------------------------------------------------------

    def read(self, case_id: str) -> tuple[c.CaseView, str]:
        """Return a case with all its entries, and its ETag; raises `UnknownEntryError`."""
        with self.database.reading() as session:
            case = found_case(session, case_id)
            return view_of(case, store.entries_of(session, case_id)), etag(case)

    def list(
        self,
        limit: int,
        after: str | None = None,
        state: str | None = None,
        verdict: str | None = None,
        reference: str | None = None,
        changed_since_us: int | None = None,
    ) -> c.CaseList:
        """Return a page of cases, those opened last first; raises `InputError` for an unknown `after`."""
        with self.database.reading() as session:
            start = None
            if after is not None:
                last = store.find_case(session, after)
                if last is None:
                    accepted = ("the value of next of an earlier page",)
                    raise InputError([InputIssue("after", after, "no page ended there", accepted)])
                start = last.number
            rows = store.page(session, limit + 1, start, state, verdict, reference, changed_since_us)
        more = rows[limit - 1].id if len(rows) > limit else None
        return c.CaseList(cases=[line_of(row) for row in rows[:limit]], next=more)

    def answer(self, case_id: str, at: int | None = None) -> bytes:
        """Return the answer of a case as it stands, or as it was given at entry `at`, byte for byte.

        As it stands means by the knowledge base of now; an answer that this makes anew is kept as well.
        Raises `UnknownEntryError`, also for an entry that the case does not have.
        """
        kb_hash = self.triage.stamp.content_hash
        with self.database.reading() as session:
            case = found_case(session, case_id)
            if at is not None and at > case.entries:
                raise UnknownEntryError("entry of this case", str(at), (str(case.entries),))
            entry = store.last_answered(session, case_id, at)
            kept = store.answer_of(session, case_id, entry, None if at is not None else kb_hash)
            if kept is not None:
                return kept
            rows = store.entries_of(session, case_id)
        given = self._compute(facts_after(rows, entry))
        with contextlib.suppress(StorageError), self.database.writing() as session:
            store.keep_answer(session, case_id, entry, given, self.clock())
        return given.body

    def decision(self, decision_id: str) -> bytes:
        """Return a verdict that was given, with facts and trace, as JSON; raises `UnknownEntryError`."""
        with self.database.reading() as session:
            kept = store.decision(session, decision_id)
            if kept is None:
                raise UnknownEntryError("decision", decision_id, ())
            row, places = kept
            body = store.body_of(row)
        stamp = KbStamp(version=row.kb_version, revision=row.kb_hash[:16], content_hash=row.kb_hash)
        return as_object(
            {
                "decision_id": row.decision_id,
                "kb": stamp,
                "verdict": row.verdict,
                "first_given": moment(row.given_us),
                "facts": row.facts.encode(),
                "given_to": [c.GivenAt(case=case, entry=entry) for case, entry in places],
                "answer": body,
            }
        )

    # Adding ----------------------------------------------------------------------------------------------

    def open(self, new: c.NewCase, asked: Asked) -> Reply:
        """Open a case. Raises `InputError`, `KeyReusedError` and storage errors."""
        first = new.observation
        if first is not None:
            self.check(first.facts, "observation.facts")
        given = self._compute(first.facts if first is not None else TriageRequest())

        def work(session: Session) -> Reply:
            now = self.clock()
            case = CaseRow(
                id=secrets.token_hex(12),
                reference=new.reference,
                state="open",
                verdict=given.verdict,
                entries=0 if first is None else 1,
                revision=1,
                created_us=now,
                changed_us=now,
            )
            session.add(case)
            session.flush()
            if first is not None:
                session.add(new_entry(case, 1, "observation", first, asked.caller, now))
                session.flush()
            store.keep_answer(session, case.id, case.entries, given, now)
            if first is not None and self.notices is not None:
                self.notices.post(session, case, "observation", None, given, now)
            return self._answered(case, case.entries, given, 201)

        reply = do_once(self.database, asked.once, self.clock, work)
        if self.notices is not None:
            self.notices.wake()
        return reply

    def observe(self, case_id: str, said: c.Observation, asked: Asked) -> Reply:
        """Add facts to a case. Raises as `open` does, and `UnknownEntryError` and `StaleError`."""
        self.check(said.facts, "facts")

        def step(case: CaseRow, rows: Sequence[EntryRow]) -> tuple[EntryRow, Given]:
            number = case.entries + 1
            case.state = "open"
            entry = new_entry(case, number, "observation", said, asked.caller, self.clock())
            return entry, self.compute_with(rows, Observed(number, said.facts))

        return self.add(case_id, asked, step)

    def withdraw(self, case_id: str, taken_back: c.Withdrawal, asked: Asked) -> Reply:
        """Take an observation back. Raises as `observe` does; `InputError` for what is none or gone."""

        def step(case: CaseRow, rows: Sequence[EntryRow]) -> tuple[EntryRow, Given]:
            steps = steps_of(rows)
            gone = {step.observation for step in steps if isinstance(step, Withdrawn)}
            there = [step.number for step in steps if isinstance(step, Observed) and step.number not in gone]
            if taken_back.observation not in there:
                why = "is no observation of this case that still counts"
                raise InputError(
                    [
                        InputIssue(
                            "observation",
                            taken_back.observation,
                            f"entry {taken_back.observation} {why}",
                            tuple(str(number) for number in there[-20:]),
                        )
                    ]
                )
            number = case.entries + 1
            entry = new_entry(case, number, "withdrawal", taken_back, asked.caller, self.clock())
            return entry, self.compute_with(rows, Withdrawn(number, taken_back.observation))

        return self.add(case_id, asked, step)

    def attach(self, case_id: str, outcome: c.Outcome, asked: Asked) -> Reply:
        """Attach what was found. Raises as `observe` does."""
        self._check_outcome(outcome)

        def step(case: CaseRow, rows: Sequence[EntryRow]) -> tuple[EntryRow, None]:
            case.state = "settled"
            number = case.entries + 1
            return new_entry(case, number, "outcome", outcome, asked.caller, self.clock()), None

        return self.add(case_id, asked, step)

    def add(
        self,
        case_id: str,
        asked: Asked,
        step: Callable[[CaseRow, Sequence[EntryRow]], tuple[EntryRow, Given | None]],
        more: Callable[[Sequence[EntryRow], EntryRow], Mapping[str, object]] = lambda rows, entry: {},
    ) -> Reply:
        """Add one entry: read, compute, and write if nobody else did meanwhile, else from the start.

        `more` gives further parts of the reply, from the entries before and the one that is added.
        """
        with self._queue(case_id):
            for _ in range(MOST_TRIES):
                with self.database.reading() as session:
                    earlier = answered_before(session, asked.once)
                    if earlier is not None:
                        return earlier
                    case = found_case(session, case_id)
                    rows = store.entries_of(session, case_id)
                _guard(case, asked.if_match)
                before = case.verdict
                entry, given = step(case, rows)
                further = more(rows, entry)
                case.entries = entry.number
                case.verdict = case.verdict if given is None else given.verdict
                try:
                    with self.database.writing() as session:
                        now = self.clock()
                        store.claim(session, case, now)
                        session.add(entry)
                        session.flush()
                        if given is None:
                            parts = {"case": line_of(case), "entry": entry.number, **further}
                            reply = reply_with(201, case, parts)
                        else:
                            store.keep_answer(session, case_id, entry.number, given, now)
                            reply = self._answered(case, entry.number, given, 201, further)
                        if self.notices is not None:
                            self.notices.post(session, case, entry.kind, before, given, now, entry.body)
                        if asked.once is not None:
                            store.remember(session, asked.once, reply, now)
                except LostRaceError:
                    continue
                if self.notices is not None:
                    self.notices.wake()
                return reply
        raise BusyError(f"lost {MOST_TRIES} races against other writers of case {case_id}")

    # Persons ---------------------------------------------------------------------------------------------

    def person(self, case_id: str) -> tuple[c.Person, str]:
        """Return whose case it is, and the ETag of the case; raises `UnknownEntryError` if nobody's."""
        with self.database.reading() as session:
            case = found_case(session, case_id)
            row = store.find_person(session, case_id)
            if row is None:
                raise UnknownEntryError("person of this case", case_id, ())
            return c.Person(name=row.name, telephone=row.telephone, plate=row.plate), etag(case)

    def put_person(self, case_id: str, person: c.Person, asked: Asked) -> str:
        """Keep whose case it is and return the new ETag of the case."""

        def work(session: Session, case: CaseRow, now: int) -> None:
            kept = PersonRow(case_id=case_id, changed_us=now, **person.model_dump())
            store.put_person(session, kept)

        return self._about_person(case_id, asked, work)

    def erase_person(self, case_id: str, asked: Asked) -> str:
        """Erase whose case it is and return the new ETag; the technical case stays."""

        def work(session: Session, case: CaseRow, now: int) -> None:
            store.erase_persons(session, [case_id])

        tag = self._about_person(case_id, asked, work)
        with contextlib.suppress(StorageError):
            sweep(self.database)
        return tag

    def _about_person(self, case_id: str, asked: Asked, work: Callable[[Session, CaseRow, int], None]) -> str:
        def attempt(session: Session) -> str:
            case = found_case(session, case_id)
            _guard(case, asked.if_match)
            now = self.clock()
            store.claim(session, case, now)
            work(session, case, now)
            return etag(case)

        return self.database.write(attempt)

    # Shared ----------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _queue(self, case_id: str) -> Iterator[None]:
        with self._queues[hash(case_id) % STRIPES]:
            yield

    def check(self, facts: TriageRequest, where: str) -> None:
        """Raise `InputError` for what is wrong in the facts, named as parts of `where`."""
        try:
            read_facts(self.triage.knowledge, facts)
        except InputError as error:
            raise InputError(
                [InputIssue(f"{where}.{i.field}", i.value, i.message, i.accepted) for i in error.issues]
            ) from None

    def _check_outcome(self, outcome: c.Outcome) -> None:
        source = self.triage.knowledge.source
        issues = []
        for i, confirmed in enumerate(outcome.causes):
            for name, known, kind in (
                ("cause", source.causes, "cause"),
                ("confirmed_by", source.tests, "test"),
                ("mended_by", source.fixes, "fix"),
            ):
                said = getattr(confirmed, name)
                if said is not None and said not in known:
                    message = f"no {kind} has the id {said!r}"
                    issues.append(InputIssue(f"causes.{i}.{name}", said, message, nearest(said, known)))
        if issues:
            raise InputError(issues)

    def compute_with(self, rows: Sequence[EntryRow], added: Observed | Withdrawn) -> Given:
        """Answer a case as it stands with one more entry, which has been looked at before.

        Each entry was right by itself: what is wrong now is that they contradict each other, are too many
        together, or that the knowledge base has lost an id since. Another entry can mend that.
        """
        try:
            return self._compute(facts_after(rows, None, added))
        except InputError as error:
            raise InputError(
                [InputIssue(f"case.facts.{i.field}", i.value, i.message, i.accepted) for i in error.issues]
            ) from None

    def _compute(self, facts: TriageRequest) -> Given:
        return given_of(facts, self.triage.answer(facts))

    def _answered(
        self,
        case: CaseRow,
        entry: int,
        given: Given,
        status: int,
        further: Mapping[str, object] = MappingProxyType({}),
    ) -> Reply:
        self.told(given.verdict)
        parts = {"case": line_of(case), "entry": entry, **further, "answer": given.body}
        return reply_with(status, case, parts)


def given_of(facts: TriageRequest, answer: TriageAnswer) -> Given:
    """Return an answer in the form in which it is kept, its bytes as the API gives them."""
    return Given(
        answer.decision_id,
        answer.kb.content_hash,
        answer.kb.version,
        answer.verdict.verdict,
        facts.model_dump_json(),
        answer.model_dump_json(exclude_none=True).encode(),
    )


def found_case(session: Session, case_id: str) -> CaseRow:
    """Return a case; raises `UnknownEntryError`."""
    case = store.find_case(session, case_id)
    if case is None:
        raise UnknownEntryError("case", case_id, ())
    return case


def _guard(case: CaseRow, if_match: str | None) -> None:
    if if_match is not None and not matches(if_match, etag(case)):
        raise StaleError(etag(case))


def new_entry(
    case: CaseRow, number: int, kind: c.EntryKind, added: c.Added, caller: Caller, now: int
) -> EntryRow:
    """Return an entry to add to a case."""
    return EntryRow(
        case_id=case.id,
        number=number,
        kind=kind,
        at_us=now,
        who=added.who or caller.name,
        door=added.door,
        key_id=caller.key_id,
        body=added.model_dump_json(exclude={"who", "door"}, exclude_none=True),
    )
