"""Accepted: render every print, write its note, publish the group, keep the master."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial

from printqueue.core import naming
from printqueue.core.disk import durable
from printqueue.core.model.publication import Placed, Publication
from printqueue.imaging.jobs import Provenance, Verified
from printqueue.judging.judged import Judged
from printqueue.reports.phrases import checked_words, conversion_words, glass_words, warned_of
from printqueue.reports.print_note import PrintMade, print_text
from printqueue.sandbox.context import Children, ask
from printqueue.sandbox.protocol import PrintTask, Rendered
from printqueue.service import steps
from printqueue.service.context import Attempt, Outcome, ServiceContext
from printqueue.service.delivery import proofs
from printqueue.service.delivery.asking import expected, held
from printqueue.service.delivery.completion import carry_out, complete
from printqueue.service.delivery.group import Group, NamesByFolder
from printqueue.service.delivery.in_hand import PrintInHand, prints_of
from printqueue.service.delivery.proofs import Proof
from printqueue.service.intake import claim
from printqueue.service.publication import publish
from printqueue.studio.folders import free_number
from printqueue.studio.stock import versions


@dataclass(frozen=True, slots=True)
class NewPrint:
    """One rendered print, still under its temp name (relative to the studio)."""

    wanted: PrintInHand
    temp: str
    rendered: Rendered
    verified: Verified
    proof: Proof


# -- rendering ---------------------------------------------------------------------


def render(context: ServiceContext, attempt: Attempt, children: Children, judged: Sequence[Judged]) -> list[NewPrint]:
    """Render every print of the picture, and draw its proof picture, into hidden temps in their target folders."""
    prints = prints_of(attempt, judged)
    for one in prints:
        context.disks.require(context.studio.path(one.folder), one.folder)
    made = [_render_one(context, children, one) for one in prints]
    children.end()  # it could still write to the last proof picture
    return made


def _render_one(context: ServiceContext, children: Children, one: PrintInHand) -> NewPrint:
    """Have one child write the print, and end it before another compares the print with its plan."""
    temp = Group(context, one.attempt).new_temp(one.folder, f"{one.index}.tif")
    rendered = _rendered(context, children, one, temp)
    steps.reached("rendered")
    with ThreadPoolExecutor(1) as pool:  # synced and hashed here while a child verifies the print and draws its proof
        proving = pool.submit(publish.verify_temp, context.studio, temp, rendered.sha256, one.picture)
        verified = _verified(context, children, one, temp)
        proof = proofs.draw(context, children, one, one.folder)
        proving.result()
    one.attempt.proved.add(temp)
    steps.reached("proofed")
    return NewPrint(one, temp, rendered, verified, proof)


def _rendered(context: ServiceContext, children: Children, one: PrintInHand, temp: str) -> Rendered:
    """Have a child write the print, then end the child."""
    task = PrintTask(one.print_job, _provenance(one), context.bounds)
    with ExitStack() as stack:
        with durable.world("Writing", temp):
            out = held(stack, durable.create(context.studio.path(temp)))
            files = [held(stack, claim.open_regular(one.attempt.picture)), out]
            if one.judged.placement is not None and one.judged.placement.turned:
                files.append(held(stack, durable.nameless(one.attempt.spool)))
        steps.reached("temp-made")
        answer = ask(children, "render", task, tuple(files))
    children.end()
    return expected(answer.rendered)


def _verified(context: ServiceContext, children: Children, one: PrintInHand, temp: str) -> Verified:
    """Have a child that can only read the print compare it with its plan."""
    task = PrintTask(one.print_job, _provenance(one), context.bounds)
    with ExitStack() as stack:
        with durable.world("Reading", temp):
            written = held(stack, durable.open_to_read(context.studio.path(temp)))
            files = (held(stack, claim.open_regular(one.attempt.picture)), written)
        return expected(ask(children, "verify", task, files).verified)


def _provenance(one: PrintInHand) -> Provenance:
    return Provenance(
        recipe=one.recipe,
        master_sha256=one.attempt.sha256,
        paper=one.request.paper,
        profile_sha256=one.stock.profile_sha256,
        profile_name=one.stock.facts.profile_name,
        settings=conversion_words(one.request),
        versions=versions(),
    )


# -- publishing --------------------------------------------------------------------


def publish_prints(context: ServiceContext, attempt: Attempt, made: Sequence[NewPrint]) -> Outcome:
    """Write the notes, record the intent, and make everything visible."""

    def record(intent: Publication) -> None:
        outputs = [placed.final for placed in intent.placed if placed.role == "print"]
        for output, one in zip(outputs, made, strict=True):
            _record(context, one.wanted, output, one.rendered)
            context.ledger.pictured(one.wanted.job, one.proof.thumbnail)

    return carry_out(context, attempt, lambda: _intent(Group(context, attempt), made), record)


def _record(context: ServiceContext, one: PrintInHand, output: str, rendered: Rendered | None) -> None:
    """Record how the print was made. Without `rendered` it existed already, and its hashes are unknown."""
    stock = one.stock
    context.ledger.keep(stock.profile_sha256, "profile", stock.profile)
    context.ledger.keep(stock.rules_sha256, "rules", stock.paper.rules_text.encode())
    context.ledger.made(
        one.job,
        output=output,
        recipe=one.recipe,
        profile_sha256=stock.profile_sha256,
        rules_sha256=stock.rules_sha256,
        file_sha256=rendered.sha256 if rendered else "",
        pixels_sha256=rendered.pixels_sha256 if rendered else "",
    )


def _intent(group: Group, made: Sequence[NewPrint]) -> Publication:
    """Choose one number for the whole group and write the companions as temps."""
    studio, masters = group.context.studio, group.mirrored("masters")
    with durable.world("Making", masters):
        studio.make_folder(studio.path(masters))
    number = free_number(studio, _names(group, masters, [one.wanted for one in made]))
    master = os.path.join(masters, group.picture_name(number))
    placed: list[Placed] = []
    used: Counter[str] = Counter()
    for one in made:
        folder = one.wanted.folder
        base = os.path.join(folder, group.companion_name(number + used[folder]))
        used[folder] += 1
        placed += one.proof.placed(base + naming.PROOF)
        note = print_text(_note(group.context, one, master, base)).encode()
        placed.append(group.companion(base + naming.PRINT_NOTE, note, f"{one.wanted.index}.txt"))
        placed.append(Placed("print", one.temp, base + naming.PRINT, one.rendered.sha256))
    placed += _shared_order_copy(group, masters, number)
    warned = warned_of(finding for one in made for finding in one.wanted.judged.findings)
    return Publication("print", placed, group.moves(masters, number, keep_spare=True), warned)


def _names(group: Group, masters: str, prints: Iterable[PrintInHand]) -> NamesByFolder:
    """The names that a number would use in each folder."""
    shared = Counter(one.folder for one in prints)
    names: NamesByFolder = {folder: partial(_print_names, group, many) for folder, many in shared.items()}
    names[masters] = lambda number: (group.picture_name(number), *group.order_names(number))
    return names


def _print_names(group: Group, many: int, number: int) -> list[str]:
    """Prints of one order that share paper and size (two lifts, say) take consecutive numbers."""
    bases = [group.companion_name(number + step) for step in range(many)]
    return [base + ending for base in bases for ending in (naming.PRINT, naming.PRINT_NOTE, naming.PROOF)]


def _note(context: ServiceContext, one: NewPrint, master: str, base: str) -> PrintMade:
    wanted, stock, report = one.wanted, one.wanted.stock, one.wanted.attempt.report
    assert wanted.judged.placement is not None
    assert report is not None
    assert report.picture is not None
    return PrintMade(
        picture=wanted.picture,
        file=os.path.basename(base) + naming.PRINT,
        job=wanted.job,
        when=context.now(),
        paper=stock.paper,
        profile_name=stock.facts.profile_name,
        demonstration=stock.facts.profile_is_demonstration,
        request=wanted.request,
        placement=wanted.judged.placement,
        facts=report.picture,
        findings=wanted.judged.findings,
        recipe=wanted.recipe,
        file_sha256=one.rendered.sha256,
        pixels_sha256=one.rendered.pixels_sha256,
        master=master,
        master_sha256=wanted.attempt.sha256,
        converted=conversion_words(wanted.request),
        measurements=wanted.judged.measurements,
        checked=checked_words(one.verified),
        foot_line=one.rendered.foot_line,
        proof=os.path.basename(base) + naming.PROOF if one.proof.temp else "",
        no_proof=one.proof.missing,
        under_glass=glass_words(stock.paper.drying, context.now()),
    )


def _shared_order_copy(group: Group, folder: str, number: int) -> list[Placed]:
    """A shared order stays where it is; the master gets a copy, for the reprint in ten years."""
    order = group.attempt.order_bytes
    if order is None or group.own_order is not None:
        return []
    return [group.companion(os.path.join(folder, group.order_names(number)[0]), order, "order.yaml")]


# -- without a ledger --------------------------------------------------------------


def finish_lost(context: ServiceContext, attempt: Attempt) -> Outcome | None:
    """After a lost ledger, the recipes in print/ tell what was made: finish those pictures, print nothing twice."""
    if not context.ledger.remembers_prints:
        return None
    prints = prints_of(attempt, [Judged((), None)] * len(attempt.requests))
    recipes = [one.recipe for one in prints]
    outputs, number = _found(context, recipes, settled=False), None
    if not outputs and not os.access(os.path.dirname(context.studio.path("ready", attempt.seen.path)), os.W_OK):
        # It could not leave ready/ when it was made, so its master is a copy, which `complete` finds under its name.
        outputs, number = _found(context, recipes, settled=True), 1
    if not outputs:
        return None
    group = Group(context, attempt)
    masters = group.mirrored("masters")
    number = number or free_number(context.studio, _names(group, masters, ()))
    intent = Publication("print", [], group.moves(masters, number, keep_spare=True))
    with context.ledger.together():
        for one, output in zip(prints, outputs, strict=True):
            context.ledger.judged(one.job, "accepted", [], {})
            _record(context, one, output, None)
        context.ledger.intend(attempt.arrival.id, intent.to_json(), finishes=recipes)
    return complete(context, attempt.arrival.id, intent)


def _found(context: ServiceContext, recipes: Sequence[str], *, settled: bool) -> list[str]:
    """The files of remembered prints, one per recipe; none if any is missing."""
    found = [context.ledger.found_print(recipe, settled=settled) for recipe in recipes]
    outputs = [output for output in found if output is not None and durable.exists(context.studio.path(output))]
    return outputs if len(outputs) == len(recipes) else []
