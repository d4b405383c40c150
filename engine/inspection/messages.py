"""Short words for the owner: on the telephone, by mail, by chat."""

from __future__ import annotations

from engine.inspection import report_parts as r
from engine.inspection.answer import HomeCheck
from engine.model import Activity

MOST_THINGS = 3
MOST_CHECKS = 3
STAY_OFF: dict[Activity, str] = {
    "running": "Please do not start the engine; have the car brought to us.",
    "sparks": "Please do not start the engine; have the car brought to us.",
}


def message(report: r.Report, kind: r.MessageFor, forbidden: frozenset[Activity]) -> r.OwnerMessage:
    """Return the verdict, the two or three things that matter, and what to do before coming.

    `forbidden` are the activities that the rules forbid as things stand: an owner who must not start the
    engine is told so before anything else but the verdict.
    """
    stay_off = next((text for activity, text in STAY_OFF.items() if activity in forbidden), None)
    things = _things(report)
    checks = [] if stay_off is not None else report.owner.before_you_come[:MOST_CHECKS]
    write = {"telephone": _spoken, "mail": _mail, "chat": _chat}[kind]
    subject = None
    if kind == "mail":
        subject = f"Your car{f' ({report.reference})' if report.reference else ''}: {report.owner.headline}"
    return r.OwnerMessage(
        kind=kind,
        verdict=report.verdict,
        may_run=report.may_run,
        subject=subject,
        text=write(report, stay_off, things, checks),
    )


def _things(report: r.Report) -> list[str]:
    mend = [f"{_bare(part.what)}: {part.why}" for part in report.owner.mend_first]
    advised = [f"{_bare(a.what)} ({a.horizon_words})" for a in report.owner.advised]
    return (mend + advised)[:MOST_THINGS]


def _bare(text: str) -> str:
    return text.rstrip(".")


def _spoken(report: r.Report, stay_off: str | None, things: list[str], checks: list[HomeCheck]) -> str:
    said = [report.owner.headline]
    said += [stay_off] if stay_off else []
    said += [f"{order} {thing}" for order, thing in zip(("First:", "Then:", "And:"), things, strict=False)]
    said += [report.owner.estimate.words] if report.owner.mend_first else []
    if checks:
        said.append("Before you come, please look at this, with the engine cold and off.")
        said += [check.text for check in checks]
    return "\n".join(said)


def _mail(report: r.Report, stay_off: str | None, things: list[str], checks: list[HomeCheck]) -> str:
    parts = [report.owner.headline]
    if stay_off:
        parts.append(stay_off)
    if things:
        parts.append("What matters:\n" + "\n".join(f"- {thing}" for thing in things))
    if report.owner.mend_first:
        parts.append(report.owner.estimate.words)
    if checks:
        parts.append(
            "Before you come, engine cold and off, without lifting or opening anything under pressure:\n"
            + "\n".join(f"- {check.text}" for check in checks)
        )
    parts.append(report.owner.not_checked)
    if report.shop:
        parts.append(report.shop)
    return "\n\n".join(parts)


def _chat(report: r.Report, stay_off: str | None, things: list[str], checks: list[HomeCheck]) -> str:
    lines = [report.owner.headline]
    lines += [stay_off] if stay_off else []
    lines += [f"• {_bare(thing.split(': ')[0])}" for thing in things]
    lines += [f"Before you come: {checks[0].text}"] if checks else []
    return "\n".join(lines)
