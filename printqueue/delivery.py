"""What follows from the verdict: print files and masters, or the review folder with a reason."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from printqueue import durable, naming, publish, steps
from printqueue.durable import Stamp
from printqueue.intake import claim
from printqueue.ledger import Ledger
from printqueue.model.finding import Finding, Level, worst_first
from printqueue.model.job import State
from printqueue.model.request import Request
from printqueue.outputs.print_tiff import Provenance
from printqueue.publish import Intent, Moved, Placed
from printqueue.reports.print_note import PrintMade, print_text
from printqueue.reports.reason import TurnedBack, headline, reason_text
from printqueue.sandbox import Child, ChildDiedError
from printqueue.shop import Attempt, Ending, Outcome, Shop
from printqueue.stock import Stock, versions
from printqueue.text import shown
from printqueue.units import stops_text
from printqueue.workbench import ask, print_job
from printqueue.worker import Judged, RenderOrder

Groups = dict[str, Callable[[int], Iterable[str]]]


class OrderChangedError(claim.ChangedError):
    """An order came or changed before anything was published: the attempt starts again."""


@dataclass(frozen=True, slots=True)
class Made:
    """One rendered print, still under its temp name (relative to the studio)."""

    temp: str
    sha256: str
    recipe: str


# -- accepted -------------------------------------------------------------


def render(shop: Shop, attempt: Attempt, child: Child, judged: Sequence[Judged]) -> list[Made]:
    """Render every print of the picture into hidden temps in their target folders."""
    return [_render_one(shop, attempt, child, index) for index in range(len(judged))]


def _render_one(shop: Shop, attempt: Attempt, child: Child, index: int) -> Made:
    request, kept = attempt.requests[index], attempt.stocks[index]
    recipe = kept.recipe(attempt.sha256, request)
    temp = _temp(shop, attempt, _print_folder(attempt, index), f"{index}.tif")
    order = RenderOrder(print_job(request, kept), _provenance(attempt, kept, recipe, index), shop.bounds)
    with durable.world("Writing", temp):
        out = durable.create(shop.studio.path(temp))
        reading = os.open(attempt.picture, os.O_RDONLY | os.O_CLOEXEC)
    steps.reached("temp-made")
    try:
        answer = ask(child, "render", order, (reading, out))
    finally:
        os.close(reading)
        os.close(out)
    if answer.rendered is None:
        raise ChildDiedError("gave an answer that makes no sense")
    steps.reached("rendered")
    return Made(temp, answer.rendered.sha256, recipe)


def _temp(shop: Shop, attempt: Attempt, folder: str, ending: str) -> str:
    """A hidden name in `folder` (made where missing), known to the clean-up."""
    with durable.world("Making", folder):
        durable.make_folder(shop.studio.root, shop.studio.path(folder))
    temp = os.path.join(folder, f"{durable.TEMP_PREFIX}{attempt.arrival.id}-{attempt.arrival.attempt}-{ending}")
    attempt.temps.append(temp)
    return temp


def _print_folder(attempt: Attempt, index: int) -> str:
    request = attempt.requests[index]
    return os.path.join("print", request.paper, request.size.name, *attempt.place.group)


def _provenance(attempt: Attempt, kept: Stock, recipe: str, index: int) -> Provenance:
    request = attempt.requests[index]
    return Provenance(
        recipe=recipe,
        master_sha256=attempt.sha256,
        paper=request.paper,
        profile_sha256=kept.profile_sha256,
        profile_name=kept.facts.profile_name,
        settings=conversion_words(attempt.requests[index]),
        versions=versions(),
    )


def conversion_words(request: Request) -> str:
    """How the colours were converted, for provenance and note."""
    black = "with" if request.black_point_compensation else "without"
    return f"{request.intent} intent {black} black point compensation, lift {stops_text(request.lift_stops)}, {request.ppi} ppi"


def publish_prints(shop: Shop, attempt: Attempt, judged: Sequence[Judged], made: Sequence[Made]) -> Outcome:
    """Write the notes, record the intent, and make everything visible."""
    while True:
        intent = _print_intent(shop, attempt, judged, made)
        steps.reached("companions-written")
        publish.verify_temps(shop.studio, intent)
        steps.reached("verified")
        if (gone := _original_gone(shop, attempt)) is not None:
            return gone
        for index, one in enumerate(made):
            _record_made(shop, attempt, index, one, intent)
        shop.ledger.intend(attempt.arrival.id, intent.to_json())
        steps.reached("intent-written")
        try:
            publish.show(shop.studio, intent)
        except publish.NameTakenError:
            _start_over(shop, attempt, intent)
            continue
        return complete(shop, attempt.arrival.id, intent)


def _start_over(shop: Shop, attempt: Attempt, intent: Intent) -> None:
    """Somebody took a name in between: what is visible of ours goes back to its temp name."""
    publish.hide(shop.studio, intent)
    shop.ledger.unpublish(attempt.arrival.id)


def _record_made(shop: Shop, attempt: Attempt, index: int, one: Made, intent: Intent) -> None:
    kept = attempt.stocks[index]
    prints = [placed.final for placed in intent.placed if placed.role == "print"]
    shop.ledger.keep(kept.profile_sha256, "profile", kept.profile)
    shop.ledger.keep(kept.rules_sha256, "rules", kept.paper.rules_text.encode())
    shop.ledger.made(
        attempt.jobs[index],
        output=prints[index],
        recipe=one.recipe,
        profile_sha256=kept.profile_sha256,
        rules_sha256=kept.rules_sha256,
    )


def complete(shop: Shop, arrival: int, intent: Intent) -> Outcome:
    """After everything of ours is visible: record it, move the original, record that. Also used by recovery."""
    intent = publish.with_free_targets(shop.studio, intent)
    shop.ledger.published(arrival, intent.to_json())
    steps.reached("published-written")
    with durable.world("Making", intent.kind):
        for moved in intent.moved:
            durable.make_folder(shop.studio.root, os.path.dirname(shop.studio.path(moved.target)))
    unusual = " ".join(publish.move_originals(shop.studio, intent))
    steps.reached("original-moved")
    if intent.kind == "review" and not os.path.lexists(shop.studio.path(intent.moved[0].target)):
        return _withdraw_review(shop, arrival, intent)
    state = State.PRINTABLE if intent.kind == "print" else State.REVIEW
    shop.ledger.settle(arrival, state, (_says(intent) + " " + unusual).strip())
    steps.reached("done-written")
    return Outcome(Ending(str(state)), _says(intent))


def _says(intent: Intent) -> str:
    if intent.kind == "print":
        return "made: " + shown(intent.output() or "")
    return f"turned back: {intent.says} See {shown(next(p.final for p in intent.placed))}"


def _withdraw_review(shop: Shop, arrival: int, intent: Intent) -> Outcome:
    """The photographer took or replaced the picture meanwhile: a reason without its picture helps nobody."""
    for placed in intent.placed:
        to_past(shop, arrival, placed.final)
    says = "the picture was taken away or replaced while it was being judged"
    shop.ledger.settle(arrival, State.WITHDRAWN, says)
    return Outcome(Ending.WITHDRAWN, says)


def to_past(shop: Shop, arrival: int, path: str) -> None:
    """Move a companion of ours (relative to the studio) into `.printqueue/past/`."""
    folder = shop.studio.private("past", str(arrival))
    source = shop.studio.path(path)
    if not os.path.lexists(source):
        return
    with durable.world("Moving", path):
        os.makedirs(folder, 0o700, exist_ok=True)
        durable.move_aside(source, os.path.join(folder, os.path.basename(path)))


def _original_gone(shop: Shop, attempt: Attempt) -> Outcome | None:
    """The last look before anything becomes visible: still the same picture, still the same order?"""
    seen, ready = attempt.seen, shop.studio.path("ready")
    stamp = durable.lstamp(os.path.join(ready, seen.path))
    if stamp is None:
        shop.ledger.settle(attempt.arrival.id, State.WITHDRAWN, "it was taken out of ready/ before it was made")
        return Outcome(Ending.WITHDRAWN, "it was taken out of ready/ before it was made")
    if not stamp.same_file(seen.stamp):
        raise claim.ChangedError(seen.path)
    if _order_now(shop, attempt) != (seen.order, seen.order_stamp):
        raise OrderChangedError(seen.path)
    return None


def _order_now(shop: Shop, attempt: Attempt) -> tuple[str | None, Stamp | None]:
    from printqueue.orders.names import candidates

    folder, _, name = attempt.seen.path.rpartition("/")
    for candidate in candidates(name):
        path = f"{folder}/{candidate}" if folder else candidate
        stamp = durable.lstamp(shop.studio.path("ready", path))
        if stamp is not None and stamp.size > 0:
            return path, stamp
    return None, None


# -- the group's names ------------------------------------------------------


def _print_intent(shop: Shop, attempt: Attempt, judged: Sequence[Judged], made: Sequence[Made]) -> Intent:
    """Choose one number for the whole group and write the companions as temps."""
    master_folder = os.path.join("masters", os.path.dirname(attempt.seen.path))
    with durable.world("Making", master_folder):
        durable.make_folder(shop.studio.root, shop.studio.path(master_folder))
    stem, extension = naming.split(os.path.basename(attempt.seen.path))
    short = naming.companion_stem(stem)
    groups: Groups = {
        _print_folder(attempt, index): lambda n: (
            naming.numbered(short, n) + naming.PRINT,
            naming.numbered(short, n) + naming.PRINT_NOTE,
        )
        for index in range(len(made))
    }
    groups[master_folder] = lambda n: (naming.numbered(stem, n) + extension, *_order_names(attempt, n))
    number = publish.free_number(shop.studio, groups)
    master = os.path.join(master_folder, naming.numbered(stem, number) + extension)
    placed: list[Placed] = []
    for index, one in enumerate(made):
        base = os.path.join(_print_folder(attempt, index), naming.numbered(short, number))
        note = print_text(_note(shop, attempt, judged[index], one, index, master))
        placed.append(_companion(shop, attempt, base + naming.PRINT_NOTE, note.encode(), f"{index}.txt"))
        placed.append(Placed("print", one.temp, base + naming.PRINT, one.sha256))
    moved = _moves(attempt, master_folder, number, keep_spare=True)
    placed += _folder_order_copy(shop, attempt, master_folder, number)
    return Intent("print", placed, moved)


def _note(shop: Shop, attempt: Attempt, one: Judged, made: Made, index: int, master: str) -> PrintMade:
    assert one.placement is not None
    assert attempt.report is not None
    assert attempt.report.picture is not None
    kept = attempt.stocks[index]
    return PrintMade(
        picture=os.path.basename(attempt.seen.path),
        job=attempt.jobs[index],
        when=shop.now(),
        paper=kept.paper,
        profile_name=kept.facts.profile_name,
        demonstration=kept.facts.profile_is_demonstration,
        request=attempt.requests[index],
        placement=one.placement,
        facts=attempt.report.picture,
        findings=one.findings,
        recipe=made.recipe,
        master=master,
        master_sha256=attempt.sha256,
        converted=conversion_words(attempt.requests[index]),
    )


def _companion(shop: Shop, attempt: Attempt, final: str, data: bytes, ending: str) -> Placed:
    temp = _temp(shop, attempt, os.path.dirname(final), ending)
    with durable.world("Writing", final):
        digest = durable.write_temp(shop.studio.path(temp), data)
    return Placed("companion", temp, final, digest)


def _own_order(attempt: Attempt) -> str | None:
    """The order file that belongs to this picture alone; one that serves others too stays where it is."""
    return attempt.seen.order if attempt.seen.order_is_own else None


def _order_names(attempt: Attempt, number: int) -> tuple[str, ...]:
    if attempt.seen.order is None:
        return ()
    stem, extension = naming.split(os.path.basename(attempt.seen.path))
    own = _own_order(attempt)
    if own is None:
        return (naming.numbered(naming.companion_stem(stem), number) + ".order.yaml",)
    full = os.path.basename(own).startswith(stem + extension + ".")
    return (naming.numbered(stem, number) + (extension if full else "") + ".order.yaml",)


def _moves(attempt: Attempt, folder: str, number: int, *, keep_spare: bool) -> list[Moved]:
    """The picture, and the order file that is its own, into `folder`."""
    seen = attempt.seen
    stem, extension = naming.split(os.path.basename(seen.path))
    target = os.path.join(folder, naming.numbered(stem, number) + extension)
    spare = attempt.picture if keep_spare else None
    picture = publish.moved_from(
        os.path.join("ready", seen.path), target, seen.stamp, spare=spare, sha256=attempt.sha256
    )
    own = _own_order(attempt)
    if own is None or seen.order_stamp is None or attempt.order_bytes is None:
        return [picture]
    order_target = os.path.join(folder, _order_names(attempt, number)[0])
    digest = hashlib.sha256(attempt.order_bytes).hexdigest()
    spare = os.path.join(attempt.spool, claim.ORDER) if keep_spare else None
    order = publish.moved_from(os.path.join("ready", own), order_target, seen.order_stamp, spare=spare, sha256=digest)
    return [picture, order]


def _folder_order_copy(shop: Shop, attempt: Attempt, folder: str, number: int) -> list[Placed]:
    """An order that serves others too stays where it is; the master gets a copy, for the reprint in ten years."""
    if attempt.order_bytes is None or _own_order(attempt) is not None:
        return []
    final = os.path.join(folder, _order_names(attempt, number)[0])
    return [_companion(shop, attempt, final, attempt.order_bytes, "order.yaml")]


def finish_lost(shop: Shop, attempt: Attempt) -> Outcome | None:
    """Without its ledger a studio still knows by the recipes in print/ what was made: finish, print nothing twice."""
    recipes = [
        kept.recipe(attempt.sha256, request) for request, kept in zip(attempt.requests, attempt.stocks, strict=True)
    ]
    found = [shop.ledger.found_print(recipe) for recipe in recipes]
    outputs = [output for output in found if output is not None and os.path.lexists(shop.studio.path(output))]
    if len(outputs) < len(recipes):
        return None
    folder = os.path.join("masters", os.path.dirname(attempt.seen.path))
    stem, extension = naming.split(os.path.basename(attempt.seen.path))
    number = publish.free_number(
        shop.studio, {folder: lambda n: (naming.numbered(stem, n) + extension, *_order_names(attempt, n))}
    )
    intent = Intent("print", [], _moves(attempt, folder, number, keep_spare=True))
    for index, (recipe, output) in enumerate(zip(recipes, outputs, strict=True)):
        kept = attempt.stocks[index]
        shop.ledger.judged(attempt.jobs[index], "accepted", [], {})
        shop.ledger.made(
            attempt.jobs[index],
            output=output,
            recipe=recipe,
            profile_sha256=kept.profile_sha256,
            rules_sha256=kept.rules_sha256,
        )
    shop.ledger.intend(attempt.arrival.id, intent.to_json(), finishes=recipes)
    return complete(shop, attempt.arrival.id, intent)


# -- turned back ----------------------------------------------------------


def turn_back(shop: Shop, attempt: Attempt, judged: Sequence[Judged]) -> Outcome:
    """Reason first, then the untouched picture and its order file, into review/."""
    while True:
        intent = _review_intent(shop, attempt, judged)
        steps.reached("companions-written")
        publish.verify_temps(shop.studio, intent)
        steps.reached("verified")
        if (gone := _original_gone(shop, attempt)) is not None:
            return gone
        shop.ledger.intend(attempt.arrival.id, intent.to_json())
        steps.reached("intent-written")
        try:
            publish.show(shop.studio, intent)
        except publish.NameTakenError:
            _start_over(shop, attempt, intent)
            continue
        return complete(shop, attempt.arrival.id, intent)


def _review_intent(shop: Shop, attempt: Attempt, judged: Sequence[Judged]) -> Intent:
    folder = os.path.join("review", os.path.dirname(attempt.seen.path))
    stem, extension = naming.split(os.path.basename(attempt.seen.path))
    short = naming.companion_stem(stem)
    groups: Groups = {
        folder: lambda n: (
            naming.numbered(stem, n) + extension,
            naming.numbered(short, n) + naming.REASON,
            *(_order_names(attempt, n) if _own_order(attempt) else ()),
        )
    }
    number = publish.free_number(shop.studio, groups)
    notes = _notes(shop.ledger, attempt, judged)
    text = ("\n" + "-" * 60 + "\n").join(reason_text(note) for note in notes)
    final = os.path.join(folder, naming.numbered(short, number) + naming.REASON)
    reason = _companion(shop, attempt, final, text.encode(), "reason.txt")
    says = shown(worst_first(notes[0].findings)[0].says, limit=400)
    return Intent("review", [reason], _moves(attempt, folder, number, keep_spare=False), says)


def _notes(ledger: Ledger, attempt: Attempt, judged: Sequence[Judged]) -> list[TurnedBack]:
    """One note for every print of the picture that failed."""
    notes = (_turned_back(ledger, attempt, one, index) for index, one in enumerate(judged))
    return [note for note in notes if note is not None]


def _turned_back(ledger: Ledger, attempt: Attempt, one: Judged, index: int) -> TurnedBack | None:
    known = index < len(attempt.stocks)
    at = attempt.stocks[index].paper.turn_back_at if known else Level.REJECT
    if not any(f.counts and f.level.weight >= at.weight for f in one.findings):
        return None
    return TurnedBack(
        picture=os.path.basename(attempt.seen.path),
        paper=attempt.stocks[index].paper.paper if known else (attempt.place.paper or "this paper"),
        size=attempt.requests[index].size.name if known else (attempt.place.size or "this size"),
        findings=one.findings,
        turn_back_at=at,
        ready_folder=os.path.join("ready", os.path.dirname(attempt.seen.path)).rstrip("/"),
        job=attempt.jobs[index],
        before=_before(ledger, attempt, one.findings),
    )


def _before(ledger: Ledger, attempt: Attempt, findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """What the checks that fail now measured at an earlier attempt under the same name."""
    earlier = ledger.earlier_findings(attempt.seen.path, attempt.arrival.id)
    failing = {
        f.check: f for f in findings if f.level.weight >= Level.WARN.weight and isinstance(f.measured, int | float)
    }
    return [
        (name, f"{earlier[name]['measured']} {earlier[name]['unit']} → {finding.measured} {finding.unit}".strip())
        for name, finding in failing.items()
        if name in earlier and isinstance(earlier[name]["measured"], int | float)
    ]


__all__ = ["Made", "complete", "headline", "publish_prints", "render", "to_past", "turn_back"]
