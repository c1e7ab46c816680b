"""How pages ask: each question by its function, answered here or beside the pages, and kept."""

from __future__ import annotations

import inspect
import logging
import secrets
import threading
import time
from collections.abc import Callable, Hashable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any, Concatenate, Literal, ParamSpec, TypedDict, TypeVar

from dashboard.service.ahead import ahead_of_pages
from dashboard.service.answers import Answers
from dashboard.service.jobs import LANES, Job, Lane, Progress, result
from dashboard.service.printing import plain
from dashboard.service.ready import Ready, State
from dashboard.service.standing import NO_STORE, Standing, read_again, standing_of
from dashboard.service.worker import Call
from ingest.schema import UserError
from ingest.store import NotKeptError, Store
from models import run
from models.run import HERE, Fleet, Person, Question, declared

LOG = logging.getLogger("slopewatch.dashboard")
P = ParamSpec("P")
T = TypeVar("T")
Asked = Callable[Concatenate[Fleet, P], T]
KEPT = 512
KEPT_READ = 1024  # small answers, a few for each meter of a team
WAIT_S = 5.0  # for answers to hold what has just been entered
FITS = ("refit", "refit_when_quiet")
FIT_STOPPED = "The fit was stopped: all rows are kept, and the answers rest on the fit before."
FOLLOWS = ("follow",)
_TOGETHER = threading.local()


class Ended(TypedDict):
    """How the last job of a question ended, and when. count: how many of them have."""

    at: float
    count: int
    answer: Any
    failure: str | None


class Work(TypedDict):
    """The records' lane: the question at work and what it says, how many wait, what has ended."""

    now: str | None
    text: str
    waiting: int
    ended: dict[str, Ended]


class Live(TypedDict):
    """What is going on at this moment.

    empty      nothing is loaded that a fleet could be made of
    behind     rows came in that the answers do not hold
    working    something is bringing them up to the data, or waits to
    taking_in  meters whose sessions the answers do not hold yet: "measured" or "taken back"
    """

    empty: bool
    behind: bool
    working: bool
    taking_in: dict[str, str]


@dataclass
class _Shared:
    """What all who ask of one store share."""

    store: Store
    answers: Answers = field(default_factory=lambda: Answers(KEPT))
    read: Answers = field(default_factory=lambda: Answers(KEPT_READ))
    ready: Ready = field(default_factory=Ready)
    jobs: dict[Hashable, Job] = field(default_factory=dict)
    ended: dict[str, Ended] = field(default_factory=dict)
    lock: threading.RLock = field(default_factory=threading.RLock)


class Service:
    """A store's questions, for one person and one day looked from.

    A question is its function in `models.run`; where it is answered, how long its answer holds and
    what follows a change is declared beside it. Nothing that takes long runs in this process.
    """

    def __init__(self, store: Path) -> None:
        self._shared = _Shared(Store(store, keeps=True))
        self.store.after_a_change(lambda: read_again(self.store))
        self._as_of: date | None = None
        self._person: Person = HERE

    def on(self, as_of: str | date | None) -> Service:
        """Return the same service, looking from a day (ISO); None: from today."""
        day = date.fromisoformat(as_of) if isinstance(as_of, str) else as_of
        return self._like(as_of=day, person=self._person)

    def asked_by(self, person: Person) -> Service:
        """Return the same service, asked by a person."""
        return self._like(as_of=self._as_of, person=person)

    def _like(self, *, as_of: date | None, person: Person) -> Service:
        other = object.__new__(Service)
        other._shared, other._as_of, other._person = self._shared, as_of, person
        return other

    # ---- how the store stands ---------------------------------------------------------------

    @property
    def store(self) -> Store:
        """The store; not for pages."""
        return self._shared.store

    def standing(self) -> Standing:
        """Return how the store stands."""
        return self.reread("standing", self._standing, missing=NO_STORE)

    def _standing(self) -> Standing:
        if not self.store.is_open():
            with suppress(NotKeptError), self.store.unopened():
                return standing_of(self.store)
        return standing_of(self.store)

    def reread(self, name: Hashable, read: Callable[[], T], *, missing: T) -> T:
        """Return something read from the store, read again only once its file has changed."""
        return self._reread(name, read) if self.store.exists() else missing

    def _reread(self, name: Hashable, read: Callable[[], T]) -> T:
        stamp, kept = self.store.settled_stamp(), self._shared.read
        if stamp is None:
            return read()
        # With the store open, nobody may be waited for who would have to open it too.
        return (kept.at_once if self.store.is_open() else kept.get)((name, stamp), read)

    @contextmanager
    def together(self) -> Iterator[None]:
        """Open the store at most once for several questions that are answered in this process.

        RuntimeError for a question of another process: who waits for that with the store open
        would keep it from the store.
        """
        if _together() is not None:
            yield
            return
        with ExitStack() as opened:
            _TOGETHER.opened = opened
            try:
                yield
            finally:
                _TOGETHER.opened = None

    def held(self, *questions: Callable[..., Any]) -> Hashable:
        """Return what differs once a table was written to that one of these questions reads."""
        stands = self.standing()
        return tuple(stands.of(_declared(question).reads or ()) for question in questions)

    def version(self) -> tuple[Hashable, ...]:
        """Return what differs when an answer might: the data, the fit, the day, work under way."""
        stands = self.standing()
        held = (stands.data, self._answering(stands), stands.beside, stands.read)
        return *held, date.today(), stands.behind, self.is_working()

    def answered(self) -> Hashable:
        """Return what differs when an answer about the fleet might, or what is going on.

        Rows that came in since a fit change no answer until the next one.
        """
        stands = self.standing()
        if self._as_of is not None or stands.fit is None:
            return self.version()
        held = self._answering(stands), stands.read, stands.empty, stands.behind
        return *held, date.today(), self.is_working(), tuple(sorted(stands.taking_in.items()))

    def answered_of_meter(self, meter_id: str) -> Hashable:
        """Return what differs when an answer about one meter might, or what is going on with it.

        Rows of other meters that came in since a fit change no answer until the next one.
        """
        stands = self.standing()
        if self._as_of is not None or stands.fit is None:
            return self.version()
        held = self._answering(stands), stands.read, stands.empty
        return *held, date.today(), stands.taking_in.get(meter_id)

    def _holds(self, question: Question) -> Hashable:
        """Return the state of the store that an answer is good for."""
        stands = self.standing()
        read = None if question.place == "long" else stands.read
        if question.by_fit and self._as_of is None and stands.fit is not None:
            return self._answering(stands), read
        return stands.data, stands.fit, stands.beside, read, date.today()

    def _answering(self, stands: Standing) -> State | None:
        """Return the state that the fleet model answers from today; None without a fit.

        A fit of an empty store has nothing to answer with until the next one is there.
        """
        if stands.fit is None or stands.empty:
            return None
        newest = State(stands.fit, (stands.stale, stands.beside, date.today()))
        return self._shared.ready.state(newest, self._gathering, self._came)

    def _gathering(self, state: State) -> Job:
        name, store = run.looked_from.__name__, self.store.path
        return Job(Call(secrets.token_hex(8), store, name, None, (state, None), HERE))

    def _came(self) -> None:
        """Go on with a fit that was made meanwhile, and with what pages will ask for next."""
        self._answering(self.standing())
        self.prepare()

    def _state(self, question: Question) -> Hashable:
        """Return the state of the store that a fleet is good for, to answer a question with."""
        return self._holds(replace(question, place="long"))

    def live(self) -> Live:
        """Return what is going on at this moment."""
        stands = self.standing()
        return {
            "empty": stands.empty,
            "behind": stands.behind or self._shared.ready.is_waiting,
            "working": self.is_working(),
            "taking_in": stands.taking_in if self._as_of is None else {},
        }

    # ---- asking -----------------------------------------------------------------------------

    def ask(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> T:
        """Return the answer, waiting for it; of a change, what came of it."""
        about = _declared(question)
        if about.recorded is not None:
            return self._change(question, about, args, kwargs)
        if about.place == "here":
            return self._read(question, about, args, kwargs)
        if self.store.is_open() or _together() is not None:
            raise RuntimeError(f"{about.name} is not answered in this process")
        if about.waits:
            self._wait_a_moment()
        key = self._key(question, about, args, kwargs)
        job = self._job(about, key, args, kwargs)
        try:
            return result(job)  # type: ignore[no-any-return]
        finally:
            self._told(key, job)

    def later(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Progress[T]:
        """Return what there is of an answer that takes long; the first to ask begins it."""
        about = _beside(question)
        key = self._key(question, about, args, kwargs)
        job = self._job(about, key, args, kwargs)
        told = job.progress()
        if told["state"] != "working":
            self._told(key, job)
        return told

    def ahead(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> None:
        """Have an answer made before somebody asks for it."""
        about = _beside(question)
        self._job(about, self._key(question, about, args, kwargs), args, kwargs, ahead=True)

    def begin(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> str:
        """Begin a change beside the pages; return the ticket to ask about it with."""
        about = _beside(question, change=True)
        ticket = secrets.token_hex(8)
        job = self._begin(about, args, kwargs)
        with self._shared.lock:
            self._shared.jobs[about.name, ticket, self._person] = job
        return ticket

    def progress(self, question: Asked[P, T], ticket: str) -> Progress[T]:
        """Return how far a change has come that this person has begun."""
        job = self._shared.jobs.get((_declared(question).name, ticket, self._person))
        if job is None:
            raise UserError("Nothing is known of that any more; begin it again.")
        return job.progress()

    def cancel(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> None:
        """Stop what is being worked out; of a fit, whichever is going on or waits.

        The store keeps the rows, and the answers rest on the fit before.
        """
        if _declared(question).name in FITS:
            return self._stop_fits()
        about = _beside(question)
        with self._shared.lock:
            job = self._shared.jobs.pop(self._key(question, about, args, kwargs), None)
        if job is not None:
            self._lane(about).cancel(job)

    def _stop_fits(self) -> None:
        lane = LANES["records"]
        for job in self._mine([job for jobs in lane.jobs() for job in jobs]):
            if job.call.question in FITS:
                lane.cancel(job)

    # ---- work beside the pages --------------------------------------------------------------

    def work(self) -> Work:
        """Return what the records' lane is doing for this store, and how earlier jobs ended."""
        working, waiting = (self._mine(jobs) for jobs in LANES["records"].jobs())
        now = working[0] if working else None
        return {
            "now": now.call.question if now else None,
            "text": now.said if now else "",
            "waiting": len(waiting),
            "ended": dict(self._shared.ended),
        }

    def is_working(self) -> bool:
        """Return whether records are being brought in, or the answers up to them."""
        return self._shared.ready.is_waiting or any(map(self._mine, LANES["records"].jobs()))

    def _mine(self, jobs: list[Job]) -> list[Job]:
        return [job for job in jobs if job.call.store == self.store.path]

    def _wait_a_moment(self) -> None:
        working, waiting = (self._mine(jobs) for jobs in LANES["records"].jobs())
        for job in [*working, *waiting]:
            if job.call.question == "follow":
                with suppress(Exception):
                    job.answer.result(WAIT_S)
        self._shared.ready.wait(WAIT_S)

    def settled(self, timeout_s: float = 120.0) -> bool:
        """Wait until no records are brought in and no answers follow; False: not in time."""
        latest = time.monotonic() + timeout_s
        while self.is_working() and time.monotonic() < latest:
            time.sleep(0.05)
        return not self.is_working()

    def follow(self) -> None:
        """Bring the answers up to the rows that came in since the fit."""
        self._begin_then("follow")

    # ---- how it is done ---------------------------------------------------------------------

    def _lane(self, about: Question) -> Lane:
        if self._as_of is not None and about.place != "records":
            return LANES["past"]
        return self._shared.ready.lane if about.place == "model" else LANES[about.place]

    def _key(self, question: Callable[..., T], about: Question, args: Any, kwargs: Any) -> Hashable:
        return about.name, self._holds(about), self._as_of, _asked(question, args, kwargs)

    def _read(self, question: Callable[..., T], about: Question, args: Any, kwargs: Any) -> T:
        """Answer in this process; what is kept holds until what was read changes."""
        if not about.kept:
            return self._looked_up(question, args, kwargs)
        asked = self._person.role, self._as_of, date.today(), _asked(question, args, kwargs)
        key = about.name, *asked
        if about.reads is None:
            return self._reread(key, lambda: self._looked_up(question, args, kwargs))
        reads, stands = about.reads, self.standing().of(about.reads)

        def here() -> T:
            return self._looked_up(question, args, kwargs)

        def still() -> bool:
            return self.standing().of(reads) == stands

        if self.store.is_open():  # so that nobody writes
            return self._shared.read.at_once((key, stands), here)
        return self._shared.read.get((key, stands), here, still=still)

    def _looked_up(self, question: Callable[..., T], args: Any, kwargs: Any) -> T:
        """Answer from what is kept of the store's tables, else open it."""
        if not self.store.is_open():
            with suppress(NotKeptError), self.store.unopened():
                return self._here(question, args, kwargs)
            opened = _together()
            if opened is not None and self.store.exists():
                opened.enter_context(self.store.reading())
        return self._here(question, args, kwargs)

    def _here(self, question: Callable[..., T], args: Any, kwargs: Any) -> T:
        fleet = Fleet(self.store, self._as_of, person=self._person)
        answer: T = plain(question(fleet, *args, **kwargs))
        return answer

    def _change(self, question: Callable[..., T], about: Question, args: Any, kwargs: Any) -> T:
        if about.place == "here":
            answer = self._here(question, args, kwargs)
            self._begin_then(about.then)
            return answer
        return result(self._begin(about, args, kwargs))  # type: ignore[no-any-return]

    def _begin(self, about: Question, args: Any, kwargs: Any) -> Job:
        job, lane = Job(self._call(about, args, kwargs)), self._lane(about)
        job.answer.add_done_callback(lambda _done: self._after(job))
        for alike in (FITS, FOLLOWS):
            if about.name in alike:
                return lane.join(job, alike)
        return lane.put(job)

    def _after(self, job: Job) -> None:
        """Note how a change ended, and bring the answers up to it."""
        about, told = _declared(getattr(run, job.call.question)), job.progress()
        job.call = replace(job.call, args=(), kwargs={})  # what was brought in may be large
        if job.answer.cancelled() and about.name not in FITS:
            return
        failed = told["said"] if told["state"] == "failed" else None
        if job.answer.cancelled():
            failed = FIT_STOPPED
        with self._shared.lock:
            before = self._shared.ended.get(about.name)
            count = before["count"] + 1 if before else 1
            self._shared.ended[about.name] = Ended(
                at=time.time(), count=count, answer=told["document"], failure=failed
            )
        if failed is None:
            self._begin_then(about.then)
            if about.name in (*FITS, *FOLLOWS):
                self._came()

    def _begin_then(self, then: Literal["follow", "fit", "fit soon"] | None) -> None:
        if then is None or not self.standing().behind:
            return
        following = {"follow": run.follow, "fit": run.refit, "fit soon": run.refit_when_quiet}
        self.asked_by(HERE)._begin(_declared(following[then]), (), {})

    def _job(
        self, about: Question, key: Hashable, args: Any, kwargs: Any, *, ahead: bool = False
    ) -> Job:
        """Return the job that makes an answer, begun unless it is; a done one for a kept answer."""
        lane = self._lane(about)
        fresh = Job(self._call(about, args, kwargs), "ahead" if ahead else "now")
        with self._shared.lock:
            kept = self._shared.answers.known(key)
            if kept is not None:
                fresh.answer.set_result(kept)
                return fresh
            job = self._shared.jobs.setdefault(key, fresh)
            self._forget()
        if job is fresh:
            job.answer.add_done_callback(lambda _done: self._keep(key, fresh))
            lane.put(job)
        elif not ahead:
            lane.hurry(job)
        return job

    def _keep(self, key: Hashable, job: Job) -> None:
        """Keep an answer; a failure only until somebody who waits for it has been told."""
        told = job.progress()
        with self._shared.lock:
            if told["state"] == "done":
                self._shared.answers.put(key, told["document"])
            if told["state"] == "done" or job.wanted == "ahead":
                self._told(key, job)

    def _told(self, key: Hashable, job: Job) -> None:
        """Forget a job: whoever asks again has the kept answer, or begins anew."""
        with self._shared.lock:
            if self._shared.jobs.get(key) is job:
                del self._shared.jobs[key]

    def _forget(self) -> None:
        """Keep few of the jobs that are done."""
        done = [key for key, job in self._shared.jobs.items() if job.answer.done()]
        for key in done[: -KEPT // 4]:
            del self._shared.jobs[key]

    def _call(self, about: Question, args: Any, kwargs: Any) -> Call:
        return Call(
            job=secrets.token_hex(8),
            store=self.store.path,
            question=about.name,
            as_of=self._as_of,
            version=self._state(about),
            person=self._person,
            args=args,
            kwargs=kwargs,
        )

    # ---- ahead of being asked ---------------------------------------------------------------

    def back_up_daily(self, folder: Path, *, keep: int) -> None:
        """Make a backup a day in a folder, the first at once; leave the newest `keep`.

        UserError where the first cannot be made; what fails later is in the log.
        """
        run.back_up_today(Fleet(self.store), folder, keep=keep)
        threading.Thread(target=self._back_up_hourly, args=(folder, keep), daemon=True).start()

    def _back_up_hourly(self, folder: Path, keep: int) -> None:
        while True:
            time.sleep(3600)
            try:
                run.back_up_today(Fleet(self.store), folder, keep=keep)
            except Exception:
                LOG.exception("no backup could be made in %s", folder)

    def prepare(self) -> None:
        """Have made beside the pages what they will ask for next."""
        today = self._like(as_of=None, person=HERE)
        today._let_go()
        if self.standing().fit is not None:
            ahead_of_pages(today)

    def _let_go(self) -> None:
        """Stop what is made ahead for a state of the store that has passed."""
        for lane in LANES.values():
            working, waiting = lane.jobs()
            for job in self._mine([*waiting, *working]):  # else a waiting one would start meanwhile
                about = _declared(getattr(run, job.call.question))
                if job.wanted == "ahead" and job.call.version != self._state(about):
                    lane.cancel(job)


def _together() -> ExitStack | None:
    """Return what closes the store after several questions; None where each opens it alone."""
    return getattr(_TOGETHER, "opened", None)


def _asked(question: Callable[..., Any], args: Any, kwargs: Any) -> str:
    """Return what is asked, the same however it is written: by place or name, or left out."""
    bound = inspect.signature(question).bind(None, *args, **kwargs)
    bound.apply_defaults()
    return repr(list(bound.arguments.items()))


def _declared(question: Callable[..., Any]) -> Question:
    about = declared(question)
    if about is None:
        raise TypeError(f"{question!r} is no question that can be asked")
    return about


def _beside(question: Callable[..., Any], *, change: bool = False) -> Question:
    """Return what is declared of a question, or a change, that is answered beside the pages."""
    about = _declared(question)
    if about.place == "here" or (about.recorded is not None) is not change:
        kind = "change" if change else "question"
        raise TypeError(f"{about.name} is no {kind} that is answered beside the pages")
    return about
