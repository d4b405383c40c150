"""What is denied, what is said to be well, and which state that gives a finding."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from engine.knowledge import Knowledge
from engine.listening.hearing import Listener
from engine.listening.leaning import DenialWords, Leaning
from engine.listening.wording import split_clauses, split_words
from engine.model import KnownState, WordGroup

PRESENT: list[tuple[str, str]] = [
    ("there's a deep knocking from the bottom end when it's hot", "bottom_end_knock"),
    ("fan doesn't come on, even sat in traffic", "fan_does_not_start"),
    ("the fan never comes on", "fan_does_not_start"),
    ("battery isn't clamped down", "battery_moves"),
    ("it isn't running right at idle, hunts up and down", "rough_idle"),
    ("not only does it smoke blue on the overrun, it drinks oil as well", "blue_smoke_on_overrun"),
    ("losing coolant and I can't find where", "coolant_level_drops"),
    ("it doesn't pull to full boost", "boost_below_target"),
    ("does it pink under load? yes, loads", "knock_heard"),
    ("the engine light is on, no idea why", "check_engine_lamp"),
    ("oil pressure drops to nothing at idle when hot", "oil_pressure_low_hot_idle"),
    ("steam pouring out from under the bonnet", "steam_from_under_bonnet"),
    ("no smoke, but the wastegate rattles", "wastegate_rattle"),
    ("idles fine, but the clutch slips in fourth", "engine_speed_flares_in_gear"),
    ("not sure if it matters but it jumps out of third", "jumps_out_of_gear"),
    ("mayo under the oil cap", "milky_only_under_filler_cap"),
    ("blue smoke when I lift off", "blue_smoke_on_overrun"),
    ("glitter in the oil when I drained it", "glitter_in_oil"),
    ("hissing when it comes on boost", "hiss_under_boost"),
    ("shaft play in the turbo, you can waggle it", "turbo_shaft_play"),
]

ABSENT: list[tuple[str, str]] = [
    # denied by the verb
    ("the clutch doesn't slip", "engine_speed_flares_in_gear"),
    ("it doesnt hiss on boost", "hiss_under_boost"),
    ("the fan belt doesn't squeal", "belt_squeal"),
    ("engine light isn't on", "check_engine_lamp"),
    ("the oil isnt milky", "oil_milky"),
    ("doesnt misfire under boost", "misfire_under_boost"),
    ("wastegate doesn't rattle", "wastegate_rattle"),
    ("never jumps out of gear", "jumps_out_of_gear"),
    ("the clutch pedal doesn't bite high", "clutch_bites_high"),
    ("I haven't noticed any blue smoke on the overrun", "blue_smoke_on_overrun"),
    ("the tyres are not bald", "driven_tyres_unfit"),
    # denied with the thing
    ("no knocking from the bottom end", "bottom_end_knock"),
    ("no play in the turbo shaft", "turbo_shaft_play"),
    ("no mayo under the oil filler cap", "milky_only_under_filler_cap"),
    ("not a trace of metal in the oil", "glitter_in_oil"),
    ("no steam from under the bonnet", "steam_from_under_bonnet"),
    ("no wheel bearing noise", "wheel_bearing_noise"),
    ("no vibration through the car", "driveline_vibration"),
    ("no petrol smell in the engine bay", "fuel_smell_in_bay"),
    ("no burning smell from the clutch", "clutch_smell_after_pull"),
    ("no blue smoke at start up", "blue_smoke_at_start"),
    # said to be well
    ("the idle is smooth as silk", "rough_idle"),
    ("the brakes are fine after a hard run", "brake_pedal_hard_after_boost"),
    ("coolant level is spot on", "coolant_level_drops"),
    ("the battery is rock solid, doesn't move", "battery_moves"),
    ("oil level is fine", "oil_level_low"),
    ("the tyres have plenty of tread and are in good order", "driven_tyres_unfit"),
    # question and answer
    ("is it pinking? no", "knock_heard"),
    ("does the clutch slip? nah", "engine_speed_flares_in_gear"),
    ("Is the engine light on? Nope.", "check_engine_lamp"),
    ("Is there white smoke? Not a trace.", "white_smoke_sweet"),
    ("is it pinking? not at all", "knock_heard"),
    ("does the clutch slip? not that ive noticed", "engine_speed_flares_in_gear"),
    # one denied among others that are not
    ("the wastegate rattles but no steam from under the bonnet", "steam_from_under_bonnet"),
    ("it misfires at idle. No knocking from the bottom end.", "bottom_end_knock"),
]

HARD: list[tuple[str, str, KnownState]] = [
    # What ought to be is denied, which other phrasings of the finding say without a denial.
    ("it wont make boost at all since friday", "boost_below_target", "present"),
    ("engine lamp wont go out", "check_engine_lamp", "present"),
    ("it won't start when it's hot", "hard_start_hot", "present"),
    ("it won't idle", "rough_idle", "present"),
    ("no oil pressure at idle", "oil_pressure_low_hot_idle", "present"),
    ("the brake pedal isn't hard after a pull", "brake_pedal_hard_after_boost", "absent"),
    # A short complaint after a denial, which is no further item of its list.
    ("no smoke, bottom end knocks", "bottom_end_knock", "present"),
    ("engine light isn't on, wastegate rattles", "wastegate_rattle", "present"),
    # A denial later in an answer that says yes.
    ("is it knocking? yes, from the bottom end, but no smoke", "bottom_end_knock", "present"),
    ("does the clutch slip? yes, and it doesn't pull", "engine_speed_flares_in_gear", "present"),
    # That all is well and a denial in one clause: not "not well", but well and not there.
    ("it pulls well with no burning smell from the clutch", "clutch_smell_after_pull", "absent"),
    ("runs fine with no blue smoke at start up", "blue_smoke_at_start", "absent"),
    ("oil cap is clean with no mayo on it", "milky_only_under_filler_cap", "absent"),
    # The phrasings deny the same words, or words around them, for another reason.
    ("no boost leaks, we pressure tested it", "inlet_leak_on_pressure_test", "absent"),
    ("never had to top the coolant up", "coolant_level_drops", "absent"),
    # "Off" says that it is not lit.
    ("no fault codes stored, engine light is off", "check_engine_lamp", "absent"),
]


@pytest.fixture(scope="module")
def listener(knowledge: Knowledge) -> Listener:
    return Listener(knowledge.source)


def state_heard(listener: Listener, text: str, finding: str) -> KnownState:
    found = {heard.finding: heard.state for heard in listener.listen(text).findings}
    assert finding in found, f"{finding} is not heard among {list(found)}"
    return found[finding]


@pytest.mark.parametrize(("text", "finding"), PRESENT)
def test_present(listener: Listener, text: str, finding: str) -> None:
    assert state_heard(listener, text, finding) == "present"


@pytest.mark.parametrize(("text", "finding"), ABSENT)
def test_absent(listener: Listener, text: str, finding: str) -> None:
    assert state_heard(listener, text, finding) == "absent"


@pytest.mark.parametrize(("text", "finding", "state"), HARD)
def test_what_is_hard_to_tell(listener: Listener, text: str, finding: str, state: KnownState) -> None:
    assert state_heard(listener, text, finding) == state


def test_every_question_of_the_knowledge_base_is_answered_by_a_word(
    knowledge: Knowledge, listener: Listener
) -> None:
    denials = DenialWords.of(knowledge.source.word_groups.values())
    wrong = []
    for finding_id, finding in knowledge.source.findings.items():
        question = split_words(finding.question)
        # "Is there no fuse in it? No." means this to one caller and that to the next.
        if not finding.heard_as or any(denials.of_phrasing(finding.question, question).denied):
            continue
        for answer, state in (("No.", "absent"), ("Yes.", "present"), ("Nope, never.", "absent")):
            signs = listener.signs(f"{finding.question} {answer}").get(finding_id)
            if signs is None or (signs.log_odds_of_absence > 0.0) != (state == "absent"):
                wrong.append(f"{finding_id}: {answer}")
    assert not wrong


def group(role: str, *words: str) -> WordGroup:
    return WordGroup.model_validate(
        {"label": "Some words", "role": role, "words": words, "source": "practice"}
    )


DENIALS = DenialWords.of(
    [
        group("denies", "doesn't", "isnt"),
        group("denies_rest", "no", "not a trace of", "nothing"),
        group("does_not_deny", "no idea", "isn't half"),
        group("all_well", "fine", "no problem"),
        group("turns", "but"),
        group("asks", "asked about", "if you mean"),
        group("affirms", "yes"),
        group("fills", "it", "there", "is", "and", "so", "did"),
    ]
)


def marked(text: str, leaning: Leaning) -> list[str]:
    """Return the words with ``-`` before those denied, ``+`` if said to be well, ``!`` if refused."""
    signs = zip(split_words(text), leaning.denied, leaning.well, leaning.refused, strict=True)
    return [f"{'-' * denied}{'+' * well}{'!' * no}{word.folded}" for word, denied, well, no in signs]


@pytest.mark.parametrize(
    ("text", "as_told"),
    [
        # A denied verb covers its clause, a denied thing what follows.
        ("the box doesn't leak", "-the -box -doesnt -leak"),
        ("it turns with no effort", "it turns with -no -effort"),
        ("no effort at all", "-no -effort -at -all"),
        ("not a trace of oil", "-not -a -trace -of -oil"),
        # Neither reaches over a stop or a turn.
        ("no smoke. it knocks", "-no -smoke it knocks"),
        ("no smoke, it knocks from down below", "-no -smoke it knocks from down below"),
        ("isn't smoking but knocks", "-isnt -smoking but knocks"),
        ("it knocks, no smoke", "it knocks -no -smoke"),
        # What looks like a denial and is none; the longer wording wins.
        ("no idea why it knocks", "no idea why it knocks"),
        ("it isn't half loud", "it isnt half loud"),
        ("no problem with oil", "+no +problem +with +oil"),
        # All is well, unless that is denied: then neither.
        ("brakes are fine", "+brakes +are +fine"),
        ("brakes isnt fine", "brakes isnt fine"),
        ("brakes fine, no knock", "+brakes +fine -no -knock"),
        # An answer refuses the question before it, and only that.
        ("pinking? no", "!pinking -no"),
        ("smoke. pinking? no", "smoke !pinking -no"),
        ("pinking. no", "pinking -no"),
        ("pinking? fine", "+pinking +fine"),
        ("pinking? knock? and so no", "!pinking !knock -and -so -no"),
        ("pinking? yes, no doubt", "pinking yes -no -doubt"),
        ("pinking? I tried it, so no", "!pinking i tried it -so -no"),
        ("pinking? I tried it with no luck", "!pinking i tried it with -no -luck"),
        ("no smoke? no", "-no -smoke -no"),
        # So it does where the caller repeats what was asked.
        ("you asked about smoke: there is no smoke", "!you !asked !about !smoke there is -no -smoke"),
        ("if you mean smoke, it isnt", "!if !you !mean !smoke -it -isnt"),
        ("you asked about smoke. yes, no doubt", "you asked about smoke yes -no -doubt"),
        # A clause of nothing but a denial refuses the one before it; that little is left is none.
        ("smoke, it did not a trace of", "!smoke -it -did -not -a -trace -of"),
        ("smoke, no bangs", "smoke -no -bangs"),
        ("smoke, and there nothing", "smoke -and -there -nothing"),
        ("no", "-no"),
    ],
)
def test_what_is_denied_and_what_is_well(text: str, as_told: str) -> None:
    assert marked(text, DENIALS.of_phrasing(text, split_words(text))) == as_told.split()


WORDS = ("oil", "leaks", "no", "doesn't", "fine", "no idea", "but", "not a trace of", ",", ".", "?")
ANY_LINE = st.one_of(st.text(st.characters()), st.lists(st.sampled_from(WORDS), max_size=15).map(" ".join))


@given(ANY_LINE)
def test_any_text_leans_word_by_word(text: str) -> None:
    words = split_words(text)
    leaning = DENIALS.of_phrasing(text, words)
    assert (
        len(leaning.denied) == len(leaning.well) == len(leaning.serving) == len(leaning.refused) == len(words)
    )
    if not any(leaning.serving):
        assert not any(leaning.denied) and not any(leaning.well)


@given(ANY_LINE)
def test_a_denial_reaches_no_sentence_but_the_questions_before_it(text: str) -> None:
    words = split_words(text)
    leaning = DENIALS.of_phrasing(text, words)
    clauses = split_clauses(text, words, DENIALS.turns)
    serving = {c.sentence for c in clauses if any(leaning.serving[c.first : c.last])}
    asks = {
        a.sentence for a, b in pairwise(clauses) if "?" in text[words[a.last - 1].end : words[b.first].start]
    }
    for clause in clauses:
        if clause.sentence not in serving | asks:
            assert not any(leaning.denied[clause.first : clause.last])
            assert not any(leaning.refused[clause.first : clause.last])
            assert not any(leaning.well[clause.first : clause.last])
