"""Orders: their names, what they may say, and the prints that follow from folders, order and paper."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.errors import Exit, PictureError
from printqueue.core.model.paper import Intent
from printqueue.core.model.request import Border, Request
from printqueue.core.yaml.plain_yaml import RulesError, read
from printqueue.judging.checks import REGISTRY
from printqueue.studio.orders.drop_folder import DropFolder, drop_folder, unknown_paper
from printqueue.studio.orders.names import candidates, is_order
from printqueue.studio.orders.resolve import resolve
from printqueue.studio.orders.schema import Order, load, load_for_picture
from printqueue.studio.papers.schema import Paper


def paper(key: str, more: str = "") -> Paper:
    """A paper of a few lines."""
    text = f"paper: {key}\nsurface: baryta\nprofile: {key}.icc\nsizes: [A4, A3]\ndefault_size: A3\n{more}"
    return Paper.from_tree(read(text.encode(), key), {"key": key})


PAPERS = {
    "rag": paper(
        "rag", "border: {style: weighted, width: 25 mm}\nprint: {ppi: 300, intent: perceptual, lift: 1/3 stop}\n"
    ),
    "baryta": paper("baryta"),
}


def requests(
    text: str = "", *, folder: str | None = "rag", size: str | None = None, default: str | None = None
) -> tuple[Request, ...]:
    """What follows from an order and where the picture lay."""
    order = load(text.encode(), "o.yaml") if text else None
    return resolve(PAPERS, folder_paper=folder, folder_size=size, order=order, default_paper=default)


def refused(
    text: str = "", *, folder: str | None = "rag", size: str | None = None, default: str | None = None
) -> PictureError:
    """The refusal of an order: always of the check `order`, always with a remedy."""
    with pytest.raises(PictureError) as caught:
        requests(text, folder=folder, size=size, default=default)
    assert (caught.value.check, caught.value.exit_code) == ("order", Exit.TURNED_BACK)
    assert caught.value.do, "a refusal carries its remedy"
    return caught.value


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Fog.tif", ("Fog.tif.order.yaml", "Fog.order.yaml", "order.yaml")),
        ("#3 Slipway.v2.tif", ("#3 Slipway.v2.tif.order.yaml", "#3 Slipway.v2.order.yaml", "order.yaml")),
        ("plain", ("plain.order.yaml", "order.yaml")),
        ("é\udcff.png", ("é\udcff.png.order.yaml", "é\udcff.order.yaml", "order.yaml")),
    ],
)
def test_which_order_counts(name: str, expected: tuple[str, ...]) -> None:
    """The full name beats the stem, the stem beats the folder's order; each of them is known as an order."""
    yml = tuple(order.replace(".yaml", ".yml") for order in expected)
    assert [rank for rank in candidates(name) if rank] == list(zip(expected, yml, strict=True))
    assert all(is_order(order) for order in expected + yml)


def test_what_is_no_order() -> None:
    """Pictures and other files are not taken for orders."""
    assert not any(
        is_order(name)
        for name in (
            "Fog.tif",
            "order.yaml.tif",
            ".order.yml",
            ".order.yaml",
            "Order.yml",
            "my order.yaml",
            "studio.yaml",
        )
    )


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        (["a.tif"], DropFolder(None, None, ())),
        (["rag", "a.tif"], DropFolder("rag", None, ())),
        (["rag", "A4", "a.tif"], DropFolder("rag", "A4", ())),
        (["rag", "a4", "Fog", "1", "a.tif"], DropFolder("rag", "a4", ("Fog", "1"))),
        (["rag", "300 x 400 mm", "a.tif"], DropFolder("rag", "300 x 400 mm", ())),
        (["rag", "Fog", "A4", "a.tif"], DropFolder("rag", None, ("Fog", "A4"))),
        (["rag", "30x40", "a.tif"], DropFolder("rag", "30x40", ())),
        (["ragg", "A4", "Fog", "a.tif"], DropFolder(None, "A4", ("Fog",), "ragg")),
        (["A4", "a.tif"], DropFolder(None, None, (), "A4")),
    ],
)
def test_places(parts: list[str], expected: DropFolder) -> None:
    """First folder paper, second size if it reads as one, the rest the photographer's own; sizes stay as written."""
    assert drop_folder(parts, PAPERS) == expected


@given(st.lists(st.sampled_from(["rag", "A4", "Fog", "30x40", "..", "x\ny"]), max_size=5))
def test_no_folder_is_lost(folders: list[str]) -> None:
    """Every folder is accounted for, in its order, so that review/ can mirror ready/."""
    result = drop_folder([*folders, "a.tif"], PAPERS)
    first = [name for name in (result.paper or result.unknown, result.size) if name is not None]
    assert [*first, *result.group] == folders


def test_an_unknown_folder_is_answered() -> None:
    """The answer names the nearest paper; a size in the paper's place is recognised."""
    assert "Did you mean 'baryta'?" in str(unknown_paper("barita", PAPERS))
    assert "the paper comes first, the size second" in str(unknown_paper("A4", PAPERS))
    assert "\x1b" not in str(unknown_paper("\x1b[31m" * 100, PAPERS))


def test_without_order() -> None:
    """Without an order everything comes from the folder and the paper."""
    (request,) = requests()
    assert request == Request(
        paper="rag", size=PAPERS["rag"].usual_size, border=Border("weighted", 25), ppi=300,
        intent=Intent.PERCEPTUAL, lift_stops=1 / 3,
    )  # fmt: skip
    (turned,) = requests(size="a4")
    assert (turned.size.name, turned.size_listed) == ("A4", True)


def test_order_before_folder_before_default() -> None:
    """An order's paper and size go before the folder's, the folder's before default_paper and default_size."""
    assert requests("paper: baryta\n")[0].paper == "baryta"
    assert requests("size: A4\n", size="A3")[0].size.name == "A4"
    assert requests("copies: 2\n", size="A4")[0].size.name == "A4"
    assert requests(folder=None, default="baryta")[0].paper == "baryta"
    assert requests(folder="rag", default="baryta")[0].paper == "rag"


def test_every_order_key_arrives() -> None:
    """Each key of an order reaches the request, in base units."""
    (request,) = requests(
        "paper: baryta\nsize: 30x40 cm\ncopies: 3\nborder: {top: 2 cm, right: 2 cm, bottom: 3 cm, left: 2 cm}\nlift: -1/3 stop\n"
        "intent: absolute\nfit: crop\ntitle: >\n  Fog,\n  morning\ndistance: 2 m\nedition: {of: 25}\n"
        "allow: {resolution: seen from afar, clipping: ''}\nassume_profile: adobe-rgb\nnote: for the harbour office\n"
    )
    assert request == Request(
        paper="baryta", size=request.size, copies=3, border=Border("given", None, (20, 20, 30, 20)), fit="crop",
        intent=Intent.ABSOLUTE, lift_stops=-1 / 3, title="Fog, morning", distance_mm=2000, edition_of=25,
        assume_profile="adobe-rgb", allow={"clipping": "", "resolution": "seen from afar"}, note="for the harbour office",
        size_listed=False,
    )  # fmt: skip
    assert (request.size.name, request.size.width_mm) == ("30x40 cm", 300)


def test_several_prints_of_one_picture() -> None:
    """Each entry of `prints` is a print; what it does not say comes from the order itself; allowances add up."""
    first, second = requests(
        "copies: 2\ntitle: Fog\nallow: [clipping]\nprints:\n  - {paper: rag, size: A4}\n"
        "  - {paper: baryta, copies: 5, lift: 0 stop, allow: {resolution: afar}}\n"
    )
    assert (first.paper, first.size.name, first.copies, first.title, first.allow) == (
        "rag",
        "A4",
        2,
        "Fog",
        {"clipping": ""},
    )
    assert (second.paper, second.copies, second.lift_stops) == ("baryta", 5, 0)
    assert second.allow == {"clipping": "", "resolution": "afar"}
    assert second.border == Border("even"), "each print takes the border of its own paper"


def test_no_lift_can_be_asked_for() -> None:
    """`lift: 0 stop` in an order beats the paper's own lift."""
    assert requests("lift: 0 stop\n")[0].lift_stops == 0


def test_an_exact_picture_size() -> None:
    """`picture:` asks for a size, and the border follows: the paper's width is dropped, its style kept."""
    (request,) = requests("picture: 300x200 mm\n")
    assert request.picture is not None
    assert (request.picture.width_mm, request.size.name, request.border) == (300, "A3", Border("weighted", None))
    assert requests("picture: 200x300 mm\nborder: {style: even}\n")[0].border == Border("even", None)


GIVEN = "border: {{top: {} mm, right: {} mm, bottom: {} mm, left: {} mm}}\n"


@pytest.mark.parametrize(
    ("text", "border"),
    [
        ("picture: 300x200 mm\n" + GIVEN.format(48.5, 60, 48.5, 60), Border("given", None, (48.5, 60, 48.5, 60))),
        ("picture: 300x200 mm\n" + GIVEN.format(40, 80, 57, 40), Border("given", None, (40, 80, 57, 40))),
        ("picture: 200x300 mm\n" + GIVEN.format(50, 50, 70, 47), Border("given", None, (50, 50, 70, 47))),
        ("picture: 380x200 mm\nborder: {width: 20 mm}\n", Border("even", None)),
        ("picture: 300x257 mm\nborder: {style: even, width: 20 mm}\n", Border("even", None)),
        ("picture: 300x252 mm\nborder: {style: weighted, width: 20 mm}\n", Border("weighted", None)),
        (
            GIVEN.format(48.5, 60, 48.5, 60) + "prints: [{picture: 300x200 mm}]\n",
            Border("given", None, (48.5, 60, 48.5, 60)),
        ),
        (
            "size: 11x14 in\npicture: 8x10 in\n" + GIVEN.format(38.1, 50.8, 38.1, 50.8),
            Border("given", None, (38.1, 50.8, 38.1, 50.8)),
        ),
    ],
)
def test_a_picture_and_borders_that_add_up(text: str, border: Border) -> None:
    """Picture and borders together are accepted where they make up the sheet, either way round, to a tenth of a millimetre."""
    (request,) = requests(text)
    assert request.picture is not None
    assert request.border == border


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (GIVEN.format(48.5, 60, 48.5, 50), "across 50 + 300 + 60 = 410 mm, and the sheet is 420 mm wide"),
        (GIVEN.format(48.5, 60, 49, 60), "from head to foot 48.5 + 200 + 49 = 297.5 mm, and the sheet is 297 mm high"),
        (GIVEN.format(0, 0, 0, 0), "across 0 + 300 + 0 = 300 mm"),
        ("border: {width: 20 mm}\n", "across 20 + 300 + 20 = 340 mm, and the sheet is 420 mm wide"),
        ("border: {style: even, width: 60.5 mm}\n", "from head to foot 60.5 + 200 + 60.5 = 321 mm"),
    ],
)
def test_a_picture_and_borders_that_do_not_add_up(text: str, words: str) -> None:
    """What does not make up the sheet is refused with the sums, and with what to do."""
    said = refused("picture: 300x200 mm\n" + text)
    assert words in str(said)
    assert "leave out one of them" in str(said)


@pytest.mark.parametrize(
    ("text", "size", "words"),
    [
        (
            "paper: ragg\n",
            None,
            "There is no paper 'ragg' in rules/. Use a paper's key (its file name without .yaml). Did you mean 'rag'?",
        ),
        ("paper: A4\n", None, "the paper comes first"),
        ("copies: 1\n", "30x40", "'30x40' has no unit"),
        ("copies: 1\n", "8x10 inch", "The folder's size cannot be read"),
        ("picture: 500x200 mm\n", None, "500 × 200 mm does not fit on A3 (297 × 420 mm)"),
        ("picture: 300x298 mm\n", None, "does not fit on A3"),
        ("border: {width: 150 mm}\n", None, "The border leaves no picture on A3"),
        ("border: {top: 10 mm, right: 10 mm, bottom: 420 mm, left: 10 mm}\n", None, "leaves no picture"),
        ("copies: 30\nedition: {of: 25}\n", None, "30 copies are more than the edition of 25"),
        ("prints: [{size: A4}, {size: A4}]\n", None, "the same print twice (rag, A4)"),
        ("prints: [{size: A3}, {copies: 1}]\n", None, "the same print twice (rag, A3)"),
    ],
)
def test_impossible_orders(text: str, size: str | None, words: str) -> None:
    """What cannot be made is refused with a sentence and a remedy, before any pixel is read."""
    assert words in str(refused(text, size=size))


def test_a_picture_that_just_fits() -> None:
    """The largest picture is the sheet itself, either way round."""
    assert requests("picture: 420x297 mm\n")[0].picture is not None
    assert requests("picture: 297x420 mm\n")[0].picture is not None


def test_no_paper_at_all() -> None:
    """A picture directly in ready/ of a studio without default_paper is told where to go."""
    assert "default_paper in studio.yaml" in str(refused(folder=None))


ANSWERS = [
    ("size: 30x40", "size: '30x40' has no unit"),
    ("size: A33", "Did you mean 'A3'?"),
    ("copies: 0", "copies: write a whole number, 1 to 999"),
    ("copies: 1000", "1 to 999"),
    ("copies: 1.5", "1 to 999"),
    ("copies: ²", "1 to 999"),
    ("lift: 0.3", "'0.3' has no unit; write '0.3 stop'"),
    ("lift: 3 stops", "-2 to 2 stops"),
    ("lift: -2.01 stops", "-2 to 2 stops"),
    ("intent: nice", "Write 'perceptual'"),
    ("title: " + "x" * 501, "501 characters; 500 at most"),
    ("note: [a, b]", "write one text"),
    ("distance: 2", "write '2 mm'"),
    ("distance: 1 cm", "100 to 100000 mm"),
    ("edition: 25", "keys are expected here, the text '25' found. Possible keys: of."),
    ("edition: {off: 25}", "Did you mean 'of'?"),
    ("edition: {}", "edition.of: this key is missing"),
    ("allow: resolution", "allow: write a list of checks"),
    ("allow: [resolutoin]", "there is no check 'resolutoin'. Did you mean 'resolution'?"),
    ("allow: {resolution: [x]}", "write a list of checks"),
    ("allow: [[resolution]]", "write a list of checks"),
    ("assume_profile: sRGB", "Write 'srgb', 'adobe-rgb', 'display-p3' or 'romm'."),
    ("prints: {size: A4}", "a list is expected here"),
    ("prints: [{prints: []}]", "prints[0].prints: there is no such key. It belongs at the top of the file"),
    ("prints: [A4]", "prints[0]: keys are expected here, the text 'A4' found."),
    ("prints: [" + "{size: A4}, " * 41 + "]", "too long; 40 at most"),
    ("ppi: 300", "there is no such key."),
    ("coppies: 2", "Did you mean 'copies'?"),
    ("", "the file is empty"),
    ("title: ", "there is no value"),
]


@pytest.mark.parametrize(("text", "words"), ANSWERS, ids=[text[:30] for text, _ in ANSWERS])
def test_answers(text: str, words: str) -> None:
    """Each mistake in an order is answered with file, key and what to write."""
    with pytest.raises(RulesError) as caught:
        load(f"{text}\n".encode(), "Fog.order.yaml")
    assert words in str(caught.value)
    assert str(caught.value).startswith("Fog.order.yaml")


def test_a_broken_order_turns_its_picture_back() -> None:
    """The photographer reads all problems in one line, as a fault of the order, with what to do."""
    with pytest.raises(PictureError) as caught:
        load_for_picture(b"size: A33\ncopies: 0\nlift: 1\n", "o.yaml")
    error = caught.value
    assert error.check == "order"
    assert "\n" not in error.says
    assert all(f"o.yaml, line {line}, " in error.says for line in (1, 2, 3))
    assert "put picture and order back" in error.do
    assert isinstance(error.__cause__, RulesError)


def test_many_problems_are_counted() -> None:
    """More than five problems are said as a number, so that a hostile order cannot fill a page."""
    with pytest.raises(PictureError, match="And 65 more"):
        load_for_picture("".join(f"k{number}: 1\n" for number in range(70)).encode(), "o.yaml")


def test_allow_knows_every_check() -> None:
    """Every check may be named in `allow`; what it may do is judged elsewhere."""
    order = load(f"allow: [{', '.join(REGISTRY)}]\n".encode(), "o.yaml")
    assert order.allow == dict.fromkeys(REGISTRY, "")


def test_orders_are_explained_to_editors() -> None:
    """Every key of an order has a description in its JSON Schema, and no key may be null."""
    schema = Order.editor_schema()
    for node in (schema, schema["$defs"]["PrintOrder"]):
        assert [name for name, one in node["properties"].items() if "description" not in one] == []
    assert set(schema["properties"]) == set(Order.model_fields)
    assert "null" not in str(schema)


def test_sheet_and_hairline_of_an_order_go_before_the_papers() -> None:
    """Order before paper, `off` too; how the sheet is fed is the paper's alone."""
    papers = {
        "rag": paper(
            "rag", "sheet: picture-only\nhairline: 0.3 mm\nprinter: {feed: roll, roll: 610 mm, turn: to-feed}\n"
        )
    }
    plain = resolve(papers, folder_paper="rag")[0]
    assert (plain.sheet, plain.hairline_mm) == ("picture-only", 0.3)
    assert (plain.feed, plain.roll_mm, plain.turn_to_feed) == ("roll", 610, True)
    asked = resolve(papers, folder_paper="rag", order=load(b"sheet: full\nhairline: off\n", "o.yaml"))[0]
    assert (asked.sheet, asked.hairline_mm) == ("full", 0)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("hairline: 5 mm\n", "0.05 to 2 mm"),
        ("hairline: [1]\n", "write off, or a width such as 0.2 mm"),
        ("printer: {roll: 610 mm}\n", "needs feed: roll"),
        ("printer: {feed: roll, roll: 10 mm}\n", "50 to 5000 mm"),
    ],
)
def test_what_geometry_cannot_be(more: str, words: str) -> None:
    """Refused with the range, or with what is missing."""
    with pytest.raises(RulesError, match=words):
        paper("rag", more)


def test_foot_line_and_maker() -> None:
    """The order's height goes before the paper's; the maker is part of the recipe only where a line names him or her."""
    papers = {"rag": paper("rag", "foot_line: 2 mm\n"), "torn": paper("torn", "edge: deckled\n")}
    plain = resolve(papers, folder_paper="rag", maker="The tidal mill")[0]
    assert (plain.foot_line_mm, plain.maker) == (2, "The tidal mill")
    off = resolve(papers, folder_paper="rag", maker="The tidal mill", order=load(b"foot_line: off\n", "o.yaml"))[0]
    assert (off.foot_line_mm, off.maker) == (0, "")
    with pytest.raises(PictureError, match="deckled edges and takes no foot line"):
        resolve(papers, folder_paper="torn", order=load(b"foot_line: 2 mm\n", "o.yaml"))
