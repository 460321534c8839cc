"""Accepted: render every print, write its note, publish the group, keep the master."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial

from printqueue.core import naming
from printqueue.core.disk import durable
from printqueue.core.model.publication import Placed, Publication
from printqueue.imaging.jobs import Provenance, Verified
from printqueue.judging.judged import Judged
from printqueue.reports.making import checked_words, conversion_words, glass_words, warned_of
from printqueue.reports.print_note import PrintMade, print_text
from printqueue.sandbox import ChildDiedError
from printqueue.sandbox.context import Relay, ask, print_job
from printqueue.sandbox.protocol import Rendered, RenderTask, VerifyTask
from printqueue.service import steps
from printqueue.service.context import Attempt, Outcome, ServiceContext
from printqueue.service.delivery import group, proofs
from printqueue.service.delivery.completion import carry_out, complete
from printqueue.service.delivery.proofs import Proof
from printqueue.service.intake import claim
from printqueue.service.publication import publish
from printqueue.studio.folders import free_number
from printqueue.studio.stock import Stock, versions


@dataclass(frozen=True, slots=True)
class Made:
    """One rendered print, still under its temp name (relative to the studio)."""

    temp: str
    recipe: str
    rendered: Rendered
    verified: Verified
    proof: Proof


def render(context: ServiceContext, attempt: Attempt, relay: Relay, judged: Sequence[Judged]) -> list[Made]:
    """Render every print of the picture, and draw its proof picture, into hidden temps in their target folders."""
    for index in range(len(judged)):
        folder = _print_folder(attempt, index)
        context.disks.require(context.studio.path(folder), folder)
    made = [_render_one(context, attempt, relay, index, one) for index, one in enumerate(judged)]
    relay.end()  # it could write to the last proof picture
    return made


def _render_one(context: ServiceContext, attempt: Attempt, relay: Relay, index: int, judged: Judged) -> Made:
    """One child writes the print and has ended before another compares it with its plan."""
    request, kept = attempt.requests[index], attempt.stocks[index]
    recipe = kept.recipe(attempt.sha256, request)
    temp = group.new_temp(context, attempt, _print_folder(attempt, index), f"{index}.tif")
    order = RenderTask(print_job(request, kept), _provenance(attempt, kept, recipe, index), context.bounds)
    with ExitStack() as held:
        with durable.world("Writing", temp):
            out = _held(held, durable.create(context.studio.path(temp)))
            files = [_held(held, claim.open_regular(attempt.picture)), out]
            if judged.placement is not None and judged.placement.turned:
                files.append(_held(held, durable.nameless(attempt.spool)))
        steps.reached("temp-made")
        answer = ask(relay, "render", order, tuple(files))
    relay.end()
    if answer.rendered is None:
        raise ChildDiedError("gave an answer that makes no sense")
    steps.reached("rendered")
    with ThreadPoolExecutor(1) as pool:  # while a child looks at it, and draws, the print is synced and hashed here
        name = os.path.basename(attempt.seen.path)
        proving = pool.submit(publish.verify_temp, context.studio, temp, answer.rendered.sha256, name)
        verified = _verified(context, attempt, relay, VerifyTask(order.job, order.provenance, context.bounds), temp)
        proof = proofs.draw(context, attempt, relay, index, judged, _print_folder(attempt, index))
        proving.result()
    attempt.proved.add(temp)
    steps.reached("proofed")
    return Made(temp, recipe, answer.rendered, verified, proof)


def _verified(context: ServiceContext, attempt: Attempt, relay: Relay, order: VerifyTask, temp: str) -> Verified:
    """The print compared with its plan, by a child that can only read it."""
    with ExitStack() as held:
        with durable.world("Reading", temp):
            written = _held(held, durable.open_to_read(context.studio.path(temp)))
            files = (_held(held, claim.open_regular(attempt.picture)), written)
        answer = ask(relay, "verify", order, files)
    if answer.verified is None:
        raise ChildDiedError("gave an answer that makes no sense")
    return answer.verified


def _held(held: ExitStack, descriptor: int) -> int:
    held.callback(os.close, descriptor)
    return descriptor


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


def publish_prints(
    context: ServiceContext, attempt: Attempt, judged: Sequence[Judged], made: Sequence[Made]
) -> Outcome:
    """Write the notes, record the intent, and make everything visible."""

    def record(intent: Publication) -> None:
        prints = [placed.final for placed in intent.placed if placed.role == "print"]
        for index, (output, one) in enumerate(zip(prints, made, strict=True)):
            _record(context, attempt, index, output, one.recipe, one)
            context.ledger.pictured(attempt.jobs[index], one.proof.thumbnail)

    return carry_out(context, attempt, lambda: _intent(context, attempt, judged, made), record)


def _record(
    context: ServiceContext, attempt: Attempt, index: int, output: str, recipe: str, made: Made | None = None
) -> None:
    """How the print was made; `made` None: it stood there already, and its hashes are not known."""
    kept = attempt.stocks[index]
    context.ledger.keep(kept.profile_sha256, "profile", kept.profile)
    context.ledger.keep(kept.rules_sha256, "rules", kept.paper.rules_text.encode())
    context.ledger.made(
        attempt.jobs[index],
        output=output,
        recipe=recipe,
        profile_sha256=kept.profile_sha256,
        rules_sha256=kept.rules_sha256,
        file_sha256=made.rendered.sha256 if made else "",
        pixels_sha256=made.rendered.pixels_sha256 if made else "",
    )


def _intent(context: ServiceContext, attempt: Attempt, judged: Sequence[Judged], made: Sequence[Made]) -> Publication:
    """Choose one number for the whole group and write the companions as temps."""
    masters = group.mirrored(attempt, "masters")
    with durable.world("Making", masters):
        context.studio.make_folder(context.studio.path(masters))
    stem, extension = group.stem_and_extension(attempt)
    number = free_number(context.studio, _groups(attempt, masters, len(made)))
    master = os.path.join(masters, naming.numbered(stem, number) + extension)
    placed: list[Placed] = []
    used: Counter[str] = Counter()
    for index, one in enumerate(made):
        folder = _print_folder(attempt, index)
        base = os.path.join(folder, naming.numbered(naming.companion_stem(stem), number + used[folder]))
        used[folder] += 1
        note = print_text(_note(context, attempt, judged[index], one, index, master, base))
        placed += one.proof.placed(base + naming.PROOF)
        placed.append(group.companion(context, attempt, base + naming.PRINT_NOTE, note.encode(), f"{index}.txt"))
        placed.append(Placed("print", one.temp, base + naming.PRINT, one.rendered.sha256))
    placed += _folder_order_copy(context, attempt, masters, number)
    return Publication(
        "print",
        placed,
        group.moves(attempt, masters, number, keep_spare=True),
        warned_of(f for one in judged for f in one.findings),
    )


def _groups(attempt: Attempt, masters: str, prints: int) -> group.Groups:
    """The names of the group by folder, for a number to be chosen."""
    stem, extension = group.stem_and_extension(attempt)
    shared = Counter(_print_folder(attempt, index) for index in range(prints))
    groups: group.Groups = {folder: partial(_print_names, stem, many) for folder, many in shared.items()}
    groups[masters] = lambda n: (naming.numbered(stem, n) + extension, *group.order_names(attempt, n))
    return groups


def _print_names(stem: str, many: int, number: int) -> list[str]:
    """Prints of one order that share paper and size (two lifts, say) take following numbers."""
    bases = [naming.numbered(naming.companion_stem(stem), number + step) for step in range(many)]
    return [base + ending for base in bases for ending in (naming.PRINT, naming.PRINT_NOTE, naming.PROOF)]


def _note(
    context: ServiceContext, attempt: Attempt, one: Judged, made: Made, index: int, master: str, base: str
) -> PrintMade:
    assert one.placement is not None
    assert attempt.report is not None
    assert attempt.report.picture is not None
    kept = attempt.stocks[index]
    return PrintMade(
        picture=os.path.basename(attempt.seen.path),
        file=os.path.basename(base) + naming.PRINT,
        job=attempt.jobs[index],
        when=context.now(),
        paper=kept.paper,
        profile_name=kept.facts.profile_name,
        demonstration=kept.facts.profile_is_demonstration,
        request=attempt.requests[index],
        placement=one.placement,
        facts=attempt.report.picture,
        findings=one.findings,
        recipe=made.recipe,
        file_sha256=made.rendered.sha256,
        pixels_sha256=made.rendered.pixels_sha256,
        master=master,
        master_sha256=attempt.sha256,
        converted=conversion_words(attempt.requests[index]),
        measurements=one.measurements,
        checked=checked_words(made.verified),
        foot_line=made.rendered.foot_line,
        proof=os.path.basename(base) + naming.PROOF if made.proof.temp else "",
        no_proof=made.proof.missing,
        under_glass=glass_words(kept.paper.drying, context.now()),
    )


def _folder_order_copy(context: ServiceContext, attempt: Attempt, folder: str, number: int) -> list[Placed]:
    """An order that serves others too stays where it is; the master gets a copy, for the reprint in ten years."""
    if attempt.order_bytes is None or group.own_order(attempt) is not None:
        return []
    final = os.path.join(folder, group.order_names(attempt, number)[0])
    return [group.companion(context, attempt, final, attempt.order_bytes, "order.yaml")]


def finish_lost(context: ServiceContext, attempt: Attempt) -> Outcome | None:
    """Without its ledger a studio still knows by the recipes in print/ what was made: finish, print nothing twice."""
    if not context.ledger.remembers_prints:
        return None
    recipes = [
        kept.recipe(attempt.sha256, request) for request, kept in zip(attempt.requests, attempt.stocks, strict=True)
    ]
    outputs, number = _found(context, recipes, settled=False), None
    if not outputs and not os.access(os.path.dirname(context.studio.path("ready", attempt.seen.path)), os.W_OK):
        # It could not leave ready/ when it was made, and its master is a copy: `complete` finds that under its name.
        outputs, number = _found(context, recipes, settled=True), 1
    if not outputs:
        return None
    masters = group.mirrored(attempt, "masters")
    number = number or free_number(context.studio, {masters: _groups(attempt, masters, 0)[masters]})
    intent = Publication("print", [], group.moves(attempt, masters, number, keep_spare=True))
    with context.ledger.together():
        for index, (recipe, output) in enumerate(zip(recipes, outputs, strict=True)):
            context.ledger.judged(attempt.jobs[index], "accepted", [], {})
            _record(context, attempt, index, output, recipe)
        context.ledger.intend(attempt.arrival.id, intent.to_json(), finishes=recipes)
    return complete(context, attempt.arrival.id, intent)


def _found(context: ServiceContext, recipes: Sequence[str], *, settled: bool) -> list[str]:
    """The files of remembered prints, one for each recipe; none where any is missing."""
    found = [context.ledger.found_print(recipe, settled=settled) for recipe in recipes]
    outputs = [output for output in found if output is not None and durable.exists(context.studio.path(output))]
    return outputs if len(outputs) == len(recipes) else []
