"""The report as page and on paper: text stays text, the owner has one page, and much of it still fits."""

from __future__ import annotations

import base64
import hashlib
import io
import re
from dataclasses import replace
from datetime import UTC, datetime

import pypdfium2
import pytest
from PIL import Image

from api.reports.paper import report_pdf, watch_list_pdf
from api.reports.web import POLICY, STYLE, report_html, watch_list_html
from engine.case import FindingReport, MeasurementReport, TriageRequest
from engine.inspection.marks import Mark, PointAnswer, read_answer, with_answers
from engine.inspection.report_parts import PhotographPart, Report
from engine.inspection.reporting import CaseFile, Said, Shop, report, watch_list
from engine.inspection.walker import Inspector
from engine.knowledge import Knowledge, compile_knowledge
from engine.triage import Triage

MADE = datetime(2026, 3, 1, 8, 30, tzinfo=UTC)
HOSTILE = (
    '<script>alert(1)</script> {{ 7*7 }} #import "x" $ #strong[y] @z \\ `q` *b* _c_ // '
    '"quoted" \U0001f525 漢字'
)
FUEL = "fuel_dry_by_eye_and_nose"


def jpeg(width: int = 640, height: int = 400) -> bytes:
    drawn = io.BytesIO()
    Image.effect_noise((width, height), 60).convert("RGB").save(drawn, "JPEG")
    return drawn.getvalue()


def made(
    inspector: Inspector,
    answers: list[PointAnswer],
    facts: TriageRequest | None = None,
    photographs: int = 0,
    shop: str | None = None,
) -> tuple[Report, dict[str, bytes]]:
    facts = facts or TriageRequest()
    marks: list[Mark] = [read_answer(inspector.source, one) for one in answers]
    walk = inspector.inspect(facts, marks)
    picture = jpeg()
    parts = [
        PhotographPart(id=f"{i:024x}", point=FUEL, caption=HOSTILE, at=MADE, width=640, height=400)
        for i in range(photographs)
    ]
    file = CaseFile(
        "c" * 24,
        HOSTILE[:60],
        MADE,
        [Said(1, MADE, HOSTILE, facts, tuple(one.point for one in answers))],
        parts,
        Shop(shop, 80.0, "credits"),
    )
    return report(inspector, with_answers(facts, marks), walk, file), {part.id: picture for part in parts}


def pages(paper: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(paper)
    return [document[i].get_textpage().get_text_range() for i in range(len(document))]


@pytest.fixture(scope="module")
def inspector(triage: Triage) -> Inspector:
    return Inspector(triage)


def test_text_stays_text_on_the_page(inspector: Inspector) -> None:
    told, pictures = made(
        inspector, [PointAnswer(point=FUEL, answer="mend", note=HOSTILE)], photographs=2, shop=HOSTILE
    )
    page = report_html(told, pictures)
    assert "<script" not in page
    assert page.count("{{ 7*7 }}") >= 3
    assert page.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 4
    assert page.count("data:image/jpeg;base64,") == 2
    sources = re.findall(r'(?:src|href)="([^"]*)"', page)
    assert all(source.startswith("data:image/") for source in sources), "one file, nothing is fetched"


def test_text_stays_text_on_paper(inspector: Inspector) -> None:
    told, pictures = made(
        inspector, [PointAnswer(point=FUEL, answer="mend", note=HOSTILE)], photographs=2, shop=HOSTILE
    )
    text = " ".join(" ".join(pages(report_pdf(told, pictures))).split())
    for piece in ("#strong[y]", "@z", "*b*", "_c_", "{{ 7*7 }}", "<script>alert(1)</script>"):
        assert piece in text, piece


def test_a_word_without_end_breaks_nothing(inspector: Inspector) -> None:
    told, pictures = made(inspector, [PointAnswer(point=FUEL, answer="mend", note="x" * 2000)])
    assert "x" * 2000 in report_html(told, pictures)
    assert len(pages(report_pdf(told, pictures))) < 12


def test_the_policy_lets_in_the_style_and_nothing_else(inspector: Inspector) -> None:
    digest = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in POLICY
    assert "default-src 'none'" in POLICY
    told, _ = made(inspector, [])
    assert f"<style>{STYLE}</style>" in report_html(told, {})
    assert " style=" not in report_html(told, {})


def test_the_owner_has_page_one_and_the_sheet_begins_on_page_two(inspector: Inspector) -> None:
    ids = list(inspector.source.points)
    answers = [PointAnswer(point=point, answer="mend") for point in ids[:12]]
    answers += [PointAnswer(point=point, answer="advise", note="Some words. " * 8) for point in ids[12:30]]
    told, pictures = made(inspector, answers)
    assert len(told.owner.mend_first) > 6
    assert len(told.owner.advised) > 6
    owner, sheet, *_ = pages(report_pdf(told, pictures))
    assert "Before the full-load run" in owner
    assert "more stand on the sheet" in owner
    assert "Technical sheet" not in owner
    assert "Technical sheet" in sheet


def test_two_hundred_points_and_forty_photographs(knowledge: Knowledge) -> None:
    source = knowledge.source
    many = {
        f"{point_id}_{copy}": point
        for copy in range(1 + 200 // len(source.points))
        for point_id, point in source.points.items()
    } | {FUEL: source.points[FUEL]}
    systems = {
        ("points", i): source.system_of["points", i if i == FUEL else i.rsplit("_", 1)[0]] for i in many
    }
    grown = replace(source, points=many, system_of={**source.system_of, **systems})
    inspector = Inspector(Triage(compile_knowledge(grown, "compiled")))
    on = [p.id for stage in inspector.inspect(TriageRequest()).stages for p in stage.points][:200]
    answers = [PointAnswer(point=point, answer="good", note="Seen and touched.") for point in on]
    told, pictures = made(inspector, answers, photographs=40)
    assert len(told.sheet.seen) == len(on) >= 150
    assert report_html(told, pictures).count("<img") >= 40
    texts = pages(report_pdf(told, pictures))
    assert all(len(text.strip()) > 40 for text in texts), "no page is empty"
    document = pypdfium2.PdfDocument(report_pdf(told, pictures))
    drawn = sum(
        1
        for i in range(len(document))
        for obj in document[i].get_objects()
        if type(obj).__name__ == "PdfImage"
    )
    assert drawn >= 40


def test_readings_stand_with_limits_and_a_picture(inspector: Inspector) -> None:
    leak = MeasurementReport(quantity="boost_leak_rate", value=70, unit="kPa/min")
    told, pictures = made(inspector, [], TriageRequest(measurements=[leak]))
    reading = told.sheet.readings[0]
    assert [value.value for value in reading.values] == [70.0]
    assert any("60" in limit.text for limit in reading.limits)
    assert "<svg" in reading.plot
    assert "script" not in reading.plot
    text = " ".join(pages(report_pdf(told, pictures)))
    assert "70 kPa/min" in text
    assert 'alt="' in report_html(told, pictures)


def test_the_card_says_first_that_it_must_not_be_run(inspector: Inspector) -> None:
    facts = TriageRequest(findings=[FindingReport(id="fuel_smell_in_bay", state="present")])
    listed = watch_list(inspector, facts, inspector.inspect(facts))
    assert not listed.may_run
    page, text = watch_list_html(listed, HOSTILE), " ".join(pages(watch_list_pdf(listed, HOSTILE)))
    assert page.index("It must not be run yet") < page.index("Lift off at once")
    assert text.index("It must not be run yet") < text.index("Lift off at once")
    assert "<script" not in page


def test_money_is_told_only_with_a_rate(inspector: Inspector) -> None:
    bare = CaseFile("c" * 24, None, MADE, [])
    facts = TriageRequest(findings=[FindingReport(id="fuel_leak_seen", state="present")])
    walk = inspector.inspect(facts)
    without = report(inspector, facts, walk, bare)
    assert without.owner.estimate.amount is None
    priced = report(inspector, facts, walk, replace(bare, shop=Shop("S", 60.0, "credits")))
    assert priced.owner.estimate.amount == round(priced.owner.estimate.minutes)
    assert "credits" in priced.owner.estimate.words
