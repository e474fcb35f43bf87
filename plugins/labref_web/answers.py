"""What each endpoint does: values in, an answer or a `RequestError` out."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

from labref.model.errors import InputError
from labref.model.exact import exact_text
from labref.trace.names import list_all, parse_name
from labref_web import past, past_structs, requests, structs
from labref_web.desk import MOST_WAITERS, BusyError, Desk
from labref_web.heard import own_view
from labref_web.words import at, known, word, word_of


class RequestError(Exception):
    """A request that cannot be answered: an HTTP status and words."""

    def __init__(self, status: int, text: str) -> None:
        self.status, self.text = status, text
        super().__init__(text)


@dataclass(frozen=True, slots=True)
class Call:
    """One request: parts of its path, its query or body as a struct."""

    path: dict[str, str]
    query: Any = None
    body: Any = None


async def frequency(desk: Desk, call: Call) -> past_structs.Frequency:
    """Mean frequency over a window."""
    name, window = _transition(desk, call), _window(call.query)
    mean = await desk.aside(desk.asked.frequency, name, *window)
    return past_structs.Frequency(
        **_span(name, window),
        nominal_hz=exact_text(mean.nominal_hz),
        offset_hz=known(mean.offset_hz),
        u_hz=known(mean.u_hz),
        u_counting_hz=known(mean.u_counting_hz),
        u_unmeasured_hz=known(mean.u_unmeasured_hz),
        u_constant_hz=known(mean.u_constant_hz),
        coverage=mean.coverage,
        gates=mean.gates,
    )


async def site(desk: Desk, call: Call) -> structs.Site:  # noqa: ARG001
    """This session and its neighbours, each as it is known now."""
    now_ns = desk.asked.clock.now_ns()
    if not desk.is_renewed:
        raise RequestError(503, "the state is not being renewed: nothing is known")
    sessions = [own_view(desk.state), *desk.neighbours.views()]
    return structs.Site(now_ns=now_ns, now=at(now_ns), sessions=sessions)


async def was_good(desk: Desk, call: Call) -> past_structs.WasGood:
    """Whether a window was good, and the first reason why not."""
    name, window = _transition(desk, call), _window(call.query)
    truth = await desk.aside(desk.asked.was_good, name, *window)
    reason = "" if truth else await desk.aside(past.first_reason, desk.asked, name, *window)
    return past_structs.WasGood(**_span(name, window), state=word_of(truth), reason=reason)


async def wait_good(desk: Desk, call: Call) -> past_structs.Waited:
    """Hold the answer back until the transition is good, or the time is over."""
    name = _transition(desk, call)
    if desk.waiters >= MOST_WAITERS:
        raise BusyError
    desk.waiters += 1
    loop = asyncio.get_running_loop()
    end_s = loop.time() + call.query.timeout_s
    try:
        while not desk.asked.status.is_good(name) and not desk.is_ending:
            left_s = end_s - loop.time()
            if left_s <= 0:
                break
            try:
                async with asyncio.timeout(left_s), desk.ticked:
                    await desk.ticked.wait()
            except TimeoutError:
                break
    finally:
        desk.waiters -= 1
    verdict, now_ns = desk.asked.status.verdict(name), desk.asked.clock.now_ns()
    return past_structs.Waited(
        transition=name,
        now_ns=now_ns,
        now=at(now_ns),
        state=word(verdict.state),
        reason=verdict.reason,
        clears=verdict.clears,
    )


async def history(desk: Desk, call: Call) -> past_structs.History:
    """Detuning over any interval."""
    name, window = _transition(desk, call), _window(call.query)
    return await desk.aside(past.history, desk.asked, name, *window, call.query.points)


async def strip(desk: Desk, call: Call) -> past_structs.Strip:
    """Good, bad and unknown over any interval."""
    name, window = _transition(desk, call), _window(call.query)
    return await desk.aside(past.strip, desk.asked, name, *window, call.query.cells)


async def deviation(desk: Desk, call: Call) -> past_structs.DeviationView:
    """The running deviation."""
    return desk.running.view(_transition(desk, call))


async def shots(desk: Desk, call: Call) -> structs.Shots:
    """The last shots."""
    return structs.Shots(shots=list(reversed(desk.shots))[: call.query.limit])


async def notes(desk: Desk, call: Call) -> structs.Notes:
    """What people noted lately, also before this session."""
    heard = list(desk.notes)
    return structs.Notes(notes=await desk.aside(past.notes, desk.asked, heard, call.query.limit))


async def alarms(desk: Desk, call: Call) -> structs.AlarmList:  # noqa: ARG001
    """Alarms that stand and those that cleared."""
    return structs.AlarmList(standing=desk.alarms.standing, cleared=desk.alarms.cleared)


async def acknowledge(desk: Desk, call: Call) -> structs.AlarmView:
    """Note who has seen an alarm; the next pass takes it in."""
    text = call.path["id"]
    entry = desk.alarms.find(int(text)) if text.isdecimal() and len(text) < 16 else None
    if entry is None:
        raise RequestError(404, f"no standing alarm has the number {text!r}")
    by = call.body.by.strip()
    desk.asked.acknowledge(entry.alarm.subject, entry.alarm.kind, by)
    view = desk.alarms.seen(entry, by)
    desk.tell("alarm", view)
    return view


async def trace_list(desk: Desk, call: Call) -> structs.TraceList:  # noqa: ARG001
    """All files of the trace."""
    return structs.TraceList(files=await desk.aside(_trace_files, desk))


async def readings(desk: Desk, call: Call) -> structs.Done:
    """A reading that the experiment pushes: only for channels that no instrument feeds."""
    body: requests.Reading = call.body
    _check_window(body.start_ns, body.stop_ns)
    lab = desk.asked.lab
    logged = {channel for log in lab.logs.values() for channel in log.columns}
    known = lab.channels.get(body.channel)
    if known is not None and (body.channel in lab.feeds or body.channel in logged or known.assumed):
        raise RequestError(403, f"channel {body.channel!r} is not pushed = true in the lab file")
    try:
        desk.asked.push(body.channel, body.start_ns, body.stop_ns, body.offset_hz, body.u_hz)
    except InputError as error:
        raise RequestError(404, str(error)) from None
    return structs.Done()


async def ask_to_arm(desk: Desk, call: Call) -> structs.Asked:
    """The cautions that a person must be shown, with the token that `arm` takes."""
    said = _act(desk, do="ask", actuator=call.body.actuator, by=call.body.by)
    return structs.Asked(cautions=said["cautions"], token=said["token"])


async def arm(desk: Desk, call: Call) -> structs.Done:
    """Arm what the token was issued for."""
    _act(desk, do="arm", token=call.body.token)
    return structs.Done()


async def disarm(desk: Desk, call: Call) -> structs.Done:
    """Disarm one actuator, or all."""
    _act(desk, do="disarm", actuator=call.body.actuator, by=call.body.by)
    return structs.Done()


async def hands_on(desk: Desk, call: Call) -> structs.HandsOnUntil:
    """Nothing moves until then."""
    until_ns = _act(desk, do="hands on", by=call.body.by, seconds=call.body.seconds)["until_ns"]
    return structs.HandsOnUntil(until_ns=until_ns, until=at(until_ns))


async def hands_off(desk: Desk, call: Call) -> structs.Done:
    """End the hands-on lock."""
    _act(desk, do="hands off", by=call.body.by)
    return structs.Done()


async def hands_on_laser(desk: Desk, call: Call) -> structs.LasersAtHand:
    """Somebody works on a laser: what rests on it is unknown."""
    asked = {"name": call.body.name, "by": call.body.by, "seconds": call.body.seconds}
    return structs.LasersAtHand(lasers=_act(desk, do="hands on laser", **asked)["lasers"])


async def hands_off_laser(desk: Desk, call: Call) -> structs.LasersAtHand:
    """Nobody works on it any more."""
    said = _act(desk, do="hands off laser", name=call.body.name, by=call.body.by)
    return structs.LasersAtHand(lasers=said["lasers"])


def _act(desk: Desk, **request: Any) -> dict[str, Any]:
    said = desk.asked.act(**request)
    if not said["ok"]:
        raise RequestError(409 if said["refused"] else 404, said["error"])
    return said


def _transition(desk: Desk, call: Call) -> str:
    name = call.path["name"]
    if name not in desk.asked.lab.transitions:
        known_names = ", ".join(desk.asked.lab.transitions)
        raise RequestError(404, f"no transition {name!r}; this lab has: {known_names}")
    return name


def _window(query: Any) -> tuple[int, int]:
    _check_window(query.start_ns, query.stop_ns)
    return query.start_ns, query.stop_ns


def _check_window(start_ns: int, stop_ns: int) -> None:
    if stop_ns <= start_ns:
        raise RequestError(422, "stop_ns must be later than start_ns")


def _span(name: str, window: tuple[int, int]) -> dict[str, Any]:
    start_ns, stop_ns = window
    return {
        "transition": name,
        "start_ns": start_ns,
        "start": at(start_ns),
        "stop_ns": stop_ns,
        "stop": at(stop_ns),
    }


def _trace_files(desk: Desk) -> list[structs.TraceFileView]:
    folder = desk.asked.folder
    found = []
    for path in [] if folder is None else list_all(folder):
        file = parse_name(path)
        try:
            size = path.stat().st_size
        except FileNotFoundError:  # sealed or merged meanwhile
            continue
        if file is not None:
            found.append(
                structs.TraceFileView(
                    name=path.name,
                    bytes=size,
                    live=file.is_live,
                    start_ns=file.cell_ns,
                    start=at(file.cell_ns),
                )
            )
    return found
