"""The handover sheet as text: what it says, and that nothing of a drive or a customer becomes markup."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import msgspec
import pytest

from drivecare.documents import Value
from drivecare.hardware.held_folder import LocalFileSystem
from drivecare.job.chain import NOTHING_BEFORE, DigestedFile, hex_sha256, lines_for
from drivecare.job.copies import copies_made
from drivecare.job.customer import describe_odds, write_customer_page
from drivecare.job.export import export_job
from drivecare.job.html_page import holds_names, is_own_page, keep_numbers_whole, write_page
from drivecare.job.job_state import load_job_state
from drivecare.job.model import BuiltFor, ChainEnd
from drivecare.job.plots import draw_counts, draw_odds, draw_surface
from drivecare.job.sheet import make_sheet, render_sheet
from drivecare.reading.model import Values
from drivecare.risk.model import Chance
from drivecare.transfer.files.bag import FileLeftOut, FileNote
from tests.job.carried import (
    NOW,
    OLD,
    OPENING,
    READ_AGAIN_AT,
    READ_AT,
    assessment,
    bag,
    data_route,
    empty_route,
    fact,
    filed,
    plan,
    same_route,
)
from tests.job.rich_case import HOSTILE, full, hostile, opened, refitted, scan, unfinished, usual
from tests.job.test_file_names import NAMING


class Page(HTMLParser):
    """The tags and the text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._style = False
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._style = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._style = False

    def handle_data(self, data: str) -> None:
        self.text += "" if self._style else data


def page(folder: Path, documents: list[Value], **more: str) -> Page:
    _, state = opened(folder, documents, complaint=more.get("complaint"))
    return Page(render_sheet(state, shop=more.get("shop")))


def test_everything_on_it_is_of_the_job(tmp_path: Path) -> None:
    text = page(tmp_path, usual(), shop="Lantern Street Repairs").text
    for said in (
        "Your unit has a new drive, with all of your data that could be read.",
        "Lantern Street Repairs",
        "Corvane Hearth, revision 21",
        "You told us: “It hangs at the start screen, and sometimes it clicks.”",
        "1 area of the old drive, 8.19 kB in all, could not be read.",
        "We are giving your old drive back to you.",
        "a clean reading is not a guarantee",
        "KX25-00417",
        "PM6-311842",
        "sectors waiting to be remapped",
        "measured: Backblaze drive statistics 2013-2016",
        "5f3a" * 16,
        "read back past the bench machine's cache",
        "1,048,576",
        "customer told 25 Nov 2026",
        "12.5 mm is taller than the bay's 9.5 mm",
        "Capacitors in a mains supply stay charged",
        "Gate: open",
    ):
        assert said in " ".join(text.split()), said


def test_a_sheet_on_paper_shows_that_a_job_was_rewritten_where_the_gate_cannot(tmp_path: Path) -> None:
    job, state = opened(tmp_path, usual())
    handover, html = make_sheet(state, tmp_path / "sheet.html")
    lines = (job.path / "chain").read_bytes().splitlines(keepends=True)
    assert handover.chain == ChainEnd(results=len(lines), digest=hashlib.sha256(lines[-1]).hexdigest())
    assert handover.chain.digest[:32] in html
    consent = next(job.path.glob("0002-fact-*"))
    consent.write_bytes(consent.read_bytes().replace(b"consent", b"no-data"))
    results = [DigestedFile(number=int(line[:4]), file=line.split()[1].decode()) for line in lines]
    digested = [replace(each, digest=hex_sha256((job.path / each.file).read_bytes())) for each in results]
    (job.path / "chain").write_bytes(lines_for(digested, NOTHING_BEFORE))
    assert job.read().audit().sentences == ()
    rewritten = (job.path / "chain").read_bytes().splitlines(keepends=True)
    assert hashlib.sha256(rewritten[handover.chain.results - 1]).hexdigest() != handover.chain.digest


def test_the_cable_that_was_changed_is_told_to_the_customer(tmp_path: Path) -> None:
    before = assessment(OLD, "recheck", read_at=READ_AT)
    after = msgspec.structs.replace(before, read_at=READ_AGAIN_AT)
    way_out = fact("way-out", note="new SATA cable, read 100 GB")
    state = opened(tmp_path, [fact("consent"), before, way_out, after])[1]
    assert (
        "We cleared this up (new SATA cable, read 100 GB) and read the drive again: nothing had got worse."
        in write_customer_page(state).did
    )


@pytest.mark.parametrize(
    ("host", "built_for"),
    [
        ("ours", BuiltFor(kind="bay")),
        ("bay-2.5-7", BuiltFor(form_factors=("2.5-inch",))),  # opened before the kind was recorded
        ("bay-2.5-7", None),  # opened by 0.1.0
    ],
    ids=["recorded", "not recorded", "0.1.0"],
)
def test_a_bay_is_not_the_customers_unit(tmp_path: Path, host: str, built_for: BuiltFor | None) -> None:
    opening = msgspec.structs.replace(
        OPENING, host=host, host_name="2.5-inch bay for drives up to 7 mm", built_for=built_for
    )
    state = load_job_state(filed(tmp_path, same_route(), opening=opening).read(), now=NOW)
    told = write_customer_page(state)
    assert "We found nothing wrong in what the drive in your unit records about itself." in told.wrong
    assert "2.5-inch bay" not in " ".join((told.headline, *told.wrong, *told.did, *told.watch))


def test_the_shops_half_counts_in_bytes_alone(tmp_path: Path) -> None:
    html = render_sheet(opened(tmp_path, usual())[1])
    shop = Page(re.sub(r"<svg.*?</svg>", "", html[html.index('<section class="shop') :], flags=re.DOTALL)).text
    assert "64 of 1,048,576 bytes" in " ".join(shop.split())
    assert re.findall(r"\d [kMGT]B\b", shop) == []


def test_notes_of_the_job_stand_on_the_shops_half_alone(tmp_path: Path) -> None:
    notes = [fact("note", note=f"call {number}: back on Monday") for number in range(5)]
    html = render_sheet(opened(tmp_path, [*notes[:3], *usual()[:-1], *notes[3:]])[1])
    customer, shop = html.split('<section class="shop')
    assert "back on Monday" not in customer
    assert re.findall(r"call (\d): back on Monday", Page("<section" + shop).text) == ["2", "3", "4"]


def naming_route(*more: Value) -> list[Value]:
    """A copy that lost part of a photo whose name is known."""
    return [*data_route()[:4], NAMING, *data_route()[5:], *more]


@pytest.mark.promise(11)
@pytest.mark.parametrize("agreed", [False, True])
def test_the_sheet_names_files_only_where_the_customer_agreed(tmp_path: Path, agreed: bool) -> None:
    job, state = opened(tmp_path, naming_route(*([fact("names-agreed")] if agreed else [])))
    customer, shop = render_sheet(state).split('<section class="shop')
    assert ("1 photo: /Ana/beach.jpg." in customer, "1 photo. Ask us which." in customer) == (agreed, not agreed)
    assert ("/Ana/beach.jpg" in shop) == agreed
    sheet, archive = job.path / "handover.html", tmp_path / "1042.tar.gz"
    write_page(sheet, render_sheet(state), replace=False)
    assert holds_names(sheet) == agreed
    left_out = [left.file for left in export_job(job.read(), archive).left_out]
    assert left_out == [*(["handover.html"] if agreed else []), "names-0006.json"]
    doomed = [(copy.path.name, copy.noun, copy.contents) for copy in copies_made(state) if copy.kind == "names"]
    sheets = [("handover.html", "handover sheet", "with names of 2 files")] if agreed else []
    assert doomed == [("names-0006.json", "list of file names", "of 2 files"), *sheets]


def test_a_sheet_with_names_that_somebody_changed_is_not_removed_unasked(tmp_path: Path) -> None:
    job, state = opened(tmp_path, naming_route(fact("names-agreed")))
    sheet = job.path / "handover.html"
    write_page(sheet, render_sheet(state), replace=False)
    (copy,) = (copy for copy in copies_made(state) if copy.path == sheet)
    assert copy.why_another(LocalFileSystem()) is None
    sheet.write_text(sheet.read_text().replace("beach", "mountain"))
    assert copy.why_another(LocalFileSystem()) == "was changed since it was written"


def test_a_shut_gate_is_said_first_and_nothing_is_claimed(tmp_path: Path) -> None:
    text = " ".join(page(tmp_path, unfinished()).text.split())
    assert "The work on your unit is not finished." in text
    assert "MISSING" in text
    for claim in ("every part agrees", "We read what the new drive", "The unit started", "your data is on it"):
        assert claim not in text


@pytest.mark.parametrize(
    ("documents", "headline", "words"),
    [
        (same_route(), "Your unit keeps its own drive.", "If the trouble comes back"),
        (refitted(), "Your unit keeps its own drive.", "We found nothing wrong in what"),
        (
            empty_route(),
            "A new drive is ready for your unit. As agreed, your data is not carried over.",
            "the unit sets it up itself",
        ),
        (
            [*empty_route()[:2], fact("dead-drive", "KX25-00417"), *empty_route()[3:]],
            "A new drive is ready for your unit. As agreed, your data is not carried over.",
            "did not respond on any dock or cable",
        ),
        ([], "The work on your unit is not finished.", "The drive has not been read yet."),
    ],
    ids=["same", "refitted", "empty", "dead", "nothing yet"],
)
def test_the_customer_s_half_of_each_route(tmp_path: Path, documents: list[Value], headline: str, words: str) -> None:
    _, state = opened(tmp_path, documents)
    told = write_customer_page(state)
    assert told.headline == headline
    assert words in " ".join((*told.wrong, *told.did, *told.watch))


def test_what_a_bag_lacks_is_on_both_halves(tmp_path: Path) -> None:
    base = data_route()
    partial = bag(
        left_out=(FileLeftOut(name="photos/7", reason="a part of it could not be read"),),
        not_kept=(FileNote(name="bin/tool", reason="setuid bit (recorded, not set)"),),
    )
    text = page(tmp_path, [base[0], base[1], plan(migration="file-copy"), base[3], partial]).text
    assert "1 file could not be copied. Ask us which." in text
    assert "left out: 1: photos/7: a part of it could not be read" in text
    assert "copied without all of their attributes: 1: bin/tool: setuid bit (recorded, not set)" in text


def test_a_cable_is_not_blamed_on_the_drive(tmp_path: Path) -> None:
    link = msgspec.structs.replace(assessment(OLD, "recheck"), fault_classes=("link",))
    _, state = opened(tmp_path, [link])
    assert "which a cable, a plug or a port can cause" in " ".join(write_customer_page(state).wrong)


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    found = page(tmp_path, hostile(), complaint=HOSTILE * 30, shop=HOSTILE)
    tags = {tag for tag, _ in found.tags}
    assert not tags & {"script", "img", "iframe", "object", "embed", "form", "video", "audio", "base"}
    for tag, attributes in found.tags:
        assert not [name for name in attributes if name.startswith("on")], tag
    assert "<script>alert('x')</script><img src=x onerror=alert(1)>{{ 7*7 }}" in found.text
    assert "\u202e" not in found.text


@pytest.mark.parametrize("documents", [usual(), hostile(), refitted()], ids=["usual", "hostile", "refitted"])
def test_it_refers_to_nothing_outside_itself(tmp_path: Path, documents: list[Value]) -> None:
    _, state = opened(tmp_path, documents)
    html = render_sheet(state)
    found = Page(html)
    for tag, attributes in found.tags:
        for name in ("src", "href", "xlink:href", "action", "data", "srcset"):
            address = attributes.get(name)
            assert address is None or address.startswith("#") or address == "data:,", (tag, address)
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert not re.search(r"https?://", re.sub(r">[^<]*<", "><", html))


def test_however_full_the_shop_s_half_the_customer_s_is_told_whole(tmp_path: Path) -> None:
    page = render_sheet(opened(tmp_path, full())[1])
    customer, shop = page.split('<section class="shop"')
    assert "…" in shop
    assert "…" not in customer


@pytest.mark.parametrize("number", ["500,107,862,016", "50c0ffe0a1b20417", "KX25-00417", "PM6-311842"])
def test_a_number_is_never_cut_in_two(number: str) -> None:
    assert keep_numbers_whole(f"its {number}: read") == f'its <span class="whole">{number}</span>: read'


def test_what_no_column_holds_may_be_cut() -> None:
    assert keep_numbers_whole("5f" * 32) == "5f" * 32


def test_parts_of_pictures_share_no_name(tmp_path: Path) -> None:
    _, state = opened(tmp_path, usual())
    names = re.findall(r'\bid="([^"]+)"', render_sheet(state))
    assert names
    assert len(names) == len(set(names))


def test_the_page_is_the_same_for_the_same_job(tmp_path: Path) -> None:
    _, state = opened(tmp_path, usual())
    assert render_sheet(state) == render_sheet(state)


def test_only_a_sheet_as_it_was_written_is_our_own(tmp_path: Path) -> None:
    _, state = opened(tmp_path / "jobs", refitted())
    sheet, letter, link, edited = (
        tmp_path / name for name in ("sheet.html", "letter.html", "link.html", "edited.html")
    )
    write_page(sheet, render_sheet(state), replace=False)
    letter.write_text("Dear Ann")
    link.symlink_to(sheet)
    edited.write_text(sheet.read_text().replace("Your unit keeps its own drive.", "Your unit keeps its drive."))
    others = (letter, link, edited, tmp_path, tmp_path / "none")
    assert [is_own_page(path) for path in (sheet, *others)] == [True, *[False] * 5]


def test_odds_are_never_none_and_never_all() -> None:
    assert describe_odds(Chance(basis="measured: x", estimate=0.0001)) == (
        "about 1 in 100 drives that showed the same signs failed within a year"
    )
    assert describe_odds(Chance(basis="x")) is None


def test_pictures_say_in_words_what_they_show() -> None:
    assert draw_odds(87, 2).words == (
        "A hundred dots, 87 of them filled; for drives without such signs it would be about 2."
    )
    assert draw_odds(87, None).svg.count("<circle ") == 100
    counts = draw_counts(Values(pending=24, crc_errors=0), Values(pending=0, crc_errors=0))
    assert counts is not None
    assert counts.words.endswith("waiting to be remapped: 24 before, 0 now.")
    assert draw_counts(Values(pending=0), Values(pending=0)) is None
    assert draw_counts(Values(pending=5), Values()) is None  # not said is not zero
    shown = draw_surface(scan())
    assert shown is not None
    assert "1 unreadable area marked above, 2 slow ones below" in shown.words
    assert draw_surface(msgspec.structs.replace(scan(), curve=())) is None
