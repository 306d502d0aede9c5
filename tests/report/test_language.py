"""Every sentence in one catalogue, in every language: nothing that a room can say is left out or misread."""

from __future__ import annotations

import ast
import itertools
import math
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest

import audiodiag
from audiodiag.causes import Circumstances, infer_causes, load_knowledge
from audiodiag.causes.suction import SuctionLine, suction_margin
from audiodiag.classifier.explain import Moved, Phrase, Usual, evidence_of, known_phrases
from audiodiag.comparison.compare import ANOTHER_SOUND, UNHEARD
from audiodiag.report import language as language_room
from audiodiag.report.language import LANGUAGES, load_sentences
from audiodiag.report.spoken import NUMBER, VERBATIM, WORD, Place, phrases_of, readings_of
from audiodiag.symptoms import MEASUREMENTS
from tests.report import catalogue

PACKAGE = Path(audiodiag.__file__).parent
OTHERS = [code for code in LANGUAGES if code != "en"]
SPEAKING = (
    "analysis.py",
    "causes/circumstances.py",
    "causes/inference.py",
    "classifier/explain.py",
    "clip",
    "comparison/agreed_speed.py",
    "comparison/conditions.py",
    "speed",
    "steering",
)
"""Where sentences are put together that can stand on a page."""
ERRORS_AND_STEPS = frozenset(
    {
        "a file without a sound track",
        "a number",
        "a pulse channel",
        "a pulse file",
        "a silent channel",
        "a video without a sound track",
        "another schema or shape",
        "damaged or encrypted sound, of which nothing decodes",
        "finding the engine speed",
        "judging the recording",
        "listening for symptoms",
        "no known kind of sound",
        "reading the recording",
        "sound that cannot be decoded",
        "The engine speed of the",
        "The two courses of the speed have nothing in common.",
        "The two recordings hardly overlap.",
        "steering mark",
        "steering table",
        "weighing causes",
        "within the",  # put together of three words, all of which stand in the catalogue
    }
)
"""Texts of these rooms that stand in errors or tell how far the work is, never on a page."""
FULL_OF_ERRORS = ("align.py", "comb.py", "given.py", "sniff.py", "tach.py")
"""Modules that hold many parts of errors: only what starts as a sentence does is looked at."""
SAMPLES = ("0.42", "1300", "-3.1", "7", "2e+05")


HANDED_ON = re.compile(r"\{\w+:\w+\}")
"""An entry that is another one as it is."""


def untranslated(texts, language: str) -> list[str]:
    s = load_sentences(language)
    return [text for text in dict.fromkeys(texts) if s.tell(text).language != language]


@pytest.mark.parametrize("language", OTHERS)
def test_catalogues_have_the_same_sentences_with_the_same_places(language):
    english, other = (language_room._read(code) for code in ("en", language))
    for ours, theirs in zip(english[1:], other[1:], strict=True):
        assert ours.keys() == theirs.keys()
        for name in ours:
            assert language_room._places(ours[name]) == language_room._places(theirs[name]), name
            assert ours[name].strip() and theirs[name].strip(), name


@pytest.mark.parametrize(
    ("file", "tables"),
    list(zip(catalogue.FILES, (catalogue.knowledge_tables(), catalogue.measurement_tables()), strict=True)),
    ids=catalogue.FILES,
)
def test_catalogue_repeats_knowledge_and_measurements_word_by_word(file, tables):
    """Where this fails: python -m tests.report.catalogue, then translate what it names."""
    kept = (language_room._FOLDER / "en" / file).read_text(encoding="utf-8")
    assert kept.split("\n", 1)[1] == catalogue.written(tables, "").split("\n", 1)[1]


def said_once() -> Iterator[tuple[str, str]]:
    """Every sentence of the English catalogue with values in its places, and its name."""
    groups, text_of = load_sentences("en").english, load_sentences("en").told

    def texts(pieces, numbers) -> Iterator[str]:
        if not pieces:
            yield ""
            return
        piece, left = pieces[0], pieces[1:]
        if isinstance(piece, str):
            ways: Iterator[str] = iter([piece])
        elif piece.kind == NUMBER:
            ways = iter([numbers[piece.name]])
        elif piece.kind == WORD:
            ways = iter(["pcm_s16le"])
        elif piece.kind == VERBATIM:
            ways = iter([f"My {piece.name} (2.5), no-{len(piece.name)}.m4a"])
        else:
            plain = [one for one in groups[piece.kind] if Place("rest", piece.kind) not in one.pieces]
            ways = (text for phrase in plain[:2] for text in texts(phrase.pieces, numbers))
        for way, rest in itertools.product(ways, list(texts(left, numbers))):
            yield way + rest

    every = [phrase for phrases in groups.values() for phrase in phrases]
    names = {piece.name for phrase in every for piece in phrase.pieces if isinstance(piece, Place)}
    numbers = dict(zip(sorted(names), itertools.cycle(SAMPLES), strict=False))
    for phrase in every:
        if HANDED_ON.fullmatch(text_of[phrase.name]):
            continue
        yield from ((text, phrase.name) for text in texts(phrase.pieces, numbers))


def test_every_sentence_is_read_back_as_itself():
    groups = load_sentences("en").english
    english = load_sentences("en").told
    for text, name in said_once():
        ways = readings_of(text, groups)
        assert ways, f"{name} cannot be read back: {text}"
        meant = {tuple(english[one.name] for one in way) for way in ways}
        meant = {way for way in meant if not HANDED_ON.fullmatch(way[0])}
        assert meant == {(english[name],)}, f"{name} can be read otherwise: {text}"


@pytest.mark.parametrize("language", OTHERS)
def test_what_is_the_same_in_english_is_the_same_in_the_other_language(language):
    """Two entries with one English text may not be told apart by their translations."""
    assert untranslated((text for text, _ in said_once()), language) == []


@pytest.mark.parametrize("language", OTHERS)
def test_numbers_and_names_go_over(language):
    s = load_sentences(language)
    for text, name in said_once():
        said, numbers = s.tell(text).text, re.findall(r"My \w+ \(2\.5\), no-\d+\.m4a", text)
        for verbatim in numbers:
            assert verbatim in said, name
        if name.startswith("measured."):
            (value,) = {found for found in SAMPLES if found in text}
            assert value.replace(".", s.decimal).replace("-", "\u2212") in said, name


def prose(source: str) -> Iterator[str]:
    """Every piece of text in a module of at least two words, docstrings and errors left out."""
    tree = ast.parse(source)
    left_out: set[int] = set()
    for node in ast.walk(tree):
        error = isinstance(node, ast.Call) and ast.unparse(node.func).endswith("Error")
        if error or isinstance(node, ast.Expr | ast.Assert):
            held = ast.walk(node) if error or isinstance(node, ast.Assert) else [node.value]
            left_out |= {id(one) for one in held if isinstance(one, ast.Constant)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in left_out:
            for piece in re.split(r"(?<=[.!?;:])\s+", node.value.strip()):
                if re.search(r"[a-z]+ [a-z]+", piece):
                    yield piece.strip(" ;")


def test_every_sentence_that_a_room_puts_together_is_in_the_catalogue():
    s = load_sentences("en")
    known = "\n".join(re.sub(r"\{[^}]*\}", "\0", text) for text in [*s.told.values(), *s.texts.values()])
    paths = [
        path
        for name in SPEAKING
        for path in ([PACKAGE / name] if name.endswith(".py") else sorted((PACKAGE / name).glob("*.py")))
    ]
    assert len(paths) > 20
    lost = [
        f"{path.relative_to(PACKAGE)}: {piece}"
        for path in paths
        for piece in prose(path.read_text(encoding="utf-8"))
        if (path.name not in FULL_OF_ERRORS or piece[0].isupper())
        and piece not in known
        and piece not in ERRORS_AND_STEPS
    ]
    assert lost == []


def test_a_planted_sentence_is_found():
    planted = 'def f(x):\n    """A doc string."""\n    return f"The horn is {x} dB too loud. Stop it now."\n'
    assert list(prose(planted)) == ["The horn is", "dB too loud.", "Stop it now."]


def every_reason() -> Iterator[str]:
    """What is said of every cause: all sounds at three strengths and none, every answer, circumstances."""
    known = load_knowledge()
    names = [symptom.name for symptom in known.symptoms]
    cases = [dict.fromkeys(names, p) for p in (0.97, 0.35, 0.04)] + [{}]
    cases += [{name: p} for name in names for p in (0.9, 0.3, 0.05)]
    told = [{}] + [{seen.name: one.name} for seen in known.observations for one in seen.answers]
    told += [
        {seen.name: seen.normal.name for seen in known.observations},
        {seen.name: seen.answers[-1].name for seen in known.observations},
    ]
    lives = [
        Circumstances(age_years=age, mileage_km=km, renewed=tuple(known.renewable[:n]))
        for age, km, n in ((1.0, 5e3, 0), (25.0, 4e5, 0), (None, None, 3))
    ]
    lives += [
        Circumstances(suction=suction_margin(SuctionLine(fluid_temperature_c=c))) for c in (-30.0, 80.0)
    ]
    found = [infer_causes(case, knowledge=known) for case in cases]
    found += [infer_causes({"pump_whine": 0.9}, knowledge=known, observations=one) for one in told]
    found += [infer_causes({"cavitation_groan": 0.9}, knowledge=known, circumstances=one) for one in lives]
    found += [
        infer_causes({"pump_whine": 0.9}, knowledge=known, observations=one, by_ear=one) for one in told
    ]
    for cause in itertools.chain(*found):
        yield cause.title
        yield from cause.because


@pytest.mark.parametrize("language", OTHERS)
def test_every_reason_of_every_cause_is_translated(language):
    reasons = list(dict.fromkeys(every_reason()))
    assert len(reasons) > 400
    assert untranslated(reasons, language) == []


@pytest.mark.parametrize("language", OTHERS)
def test_every_measurement_as_evidence_is_translated(language):
    phrases = known_phrases()
    assert all(one.text for one in MEASUREMENTS), "a measurement without a sentence reads badly"
    texts = [
        evidence_of(Moved(one.name, value, charge), phrases, {}).text
        for one in MEASUREMENTS
        for value in (0.43, -6.04, 1234.5, math.nan)
        for charge in (1.0, -1.0, 0.0)
    ]
    texts += [  # where it lies against the usual, as is said of a clip that is unlike all others
        evidence_of(
            Moved(one.name, value, 0.0), {one.name: Phrase(one.unit, "", one.label, one.share)}, usual
        ).text
        for one in MEASUREMENTS
        for value in (-122.0, 0.5, 1e6)
        for usual in ({}, {one.name: Usual(-29.3, 0.0, 6.71)})
    ]
    assert untranslated(texts, language) == []


@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("en", "Its|It|They|Their|That|This|These|Such"),
        ("de", "Ihre?|Seine?|Er|Sie|Es|Dieser?|Diese[ns]|Solche"),
    ],
)
def test_every_measurement_is_said_with_its_subject(language, words):
    """Each stands alone on a page: what it speaks of may not stand in another sentence."""
    told = {
        name: text for name, text in load_sentences(language).told.items() if name.startswith("measured.")
    }
    if language == "en":
        told |= {one.name: one.text for one in MEASUREMENTS}
    assert len(told) >= len(MEASUREMENTS)
    begun = re.compile(rf"(?:{words})\b")
    assert [name for name, text in told.items() if begun.match(text)] == []
    told |= {"measured.planted": "Sie klingt hoch." if language == "de" else "It sits high."}
    assert [name for name, text in told.items() if begun.match(text)] == ["measured.planted"]


@pytest.mark.parametrize("name", ["noise_slope_db_per_octave", "hiss_tilt_db"])
def test_a_slope_has_the_unit_of_a_slope(name):
    measure = next(one for one in MEASUREMENTS if one.name == name)
    bare = {name: Phrase(measure.unit, "", measure.label)}
    said = evidence_of(Moved(name, -12.0, 0.0), bare, {name: Usual(-9.0, -6.0, -3.0)})
    assert said.unit == "dB per octave"
    assert said.text == f"{measure.label}: -12 dB per octave, below the usual (-9 to -3)."
    assert "\u221212 dB je Oktave, unter dem Üblichen" in load_sentences("de").tell(said.text).text


def test_the_german_groan_has_one_name():
    s = load_sentences("de")
    said = [
        s.told[name]
        for name in ("heard.cavitation_groan", "measured.groan_beat_db", "quantity.groan_share_db")
    ]
    assert all("Knurren" in text for text in said)
    assert [text for text in (*s.texts.values(), *s.told.values()) if "töhn" in text] == []


def test_the_german_of_a_valve_at_the_stop_is_plain():
    s = load_sentences("de")
    texts = [*s.texts.values(), *s.told.values()]
    assert [text for text in texts if re.search(r"\bDienst\b|\bTafel\b", text)] == []
    assert "am Anschlag ist das normal" in s.told["why.relief_valve_at_stop-relief_hiss"]


def test_every_share_of_a_whole_is_said_in_per_cent():
    phrases = known_phrases()
    shares = [one for one in MEASUREMENTS if re.search("share|bands$|constancy|steadiness", one.name)]
    shares = [one for one in shares if one.unit == "1"]
    assert len(shares) > 8
    assert {"groan_roughness", "growl_depth"} <= {one.name for one in MEASUREMENTS if one.share}
    for one in shares:
        assert one.share, one.name
    for one in (one for one in MEASUREMENTS if one.share):
        said = evidence_of(Moved(one.name, 0.43, 0.0), phrases, {})
        assert "43 %" in said.text and "0.43" not in said.text, one.name
        assert said.value == 0.43
        bare = {one.name: Phrase(one.unit, "", one.label, one.share)}
        beside = evidence_of(Moved(one.name, 0.43, 0.0), bare, {one.name: Usual(0.1, 0.2, 0.3)}).text
        assert beside == f"{one.label}: 43 %, above the usual (10 to 30).", one.name


@pytest.mark.parametrize("language", OTHERS)
def test_checks_cautions_and_limits_are_translated(language):
    known = load_knowledge()
    texts = [c.title for c in (*known.causes, *known.checks)]
    texts += [c.text for c in known.cautions] + [c.cannot_tell for c in known.symptoms]
    assert untranslated(texts, language) == []


def test_a_text_that_can_mean_two_things_is_not_guessed():
    groups = phrases_of({"a.x": "It is {why:b}.", "b.one": "hot", "b.two": "hot", "a.y": "It is hot."})
    assert len(readings_of("It is hot.", groups)) == 3
    s = load_sentences("de")
    told = {"a.x": "Es ist {why}.", "b.one": "heiß", "b.two": "scharf", "a.y": "Es ist heiß."}
    two = language_room.Sentences("de", ",", {}, told, groups)
    assert two.tell("It is hot.").language == "en"
    same = language_room.Sentences("de", ",", {}, {**told, "b.two": "heiß"}, groups)
    assert same.tell("It is hot.").text == "Es ist heiß."
    assert s.tell("It is hot.").language == "en"


@pytest.mark.parametrize(
    "text",
    [
        "A squeal is heard (probability 94 %): a worn belt also slips!",
        "A squeal is heard (probability high): a worn belt also slips.",
        "A squeal is heard (probability 94 %): a worn belt also slips. ",
        "A squeal is heard (probability 94 %): a worn belt also slips. And more.",
        "",
    ],
)
def test_what_is_not_word_by_word_in_the_catalogue_stays_english(text):
    assert load_sentences("de").tell(text).language == "en"


@pytest.mark.parametrize("said", ["94 %", "> 99 %", "< 1 %"])
def test_a_probability_goes_over_in_per_cent(said):
    told = load_sentences("de").tell(f"Heard: a chirp of the belt (probability {said}).")
    assert (told.text, told.language) == (
        f"Zu hören: ein Zirpen des Riemens (Wahrscheinlichkeit {said}).",
        "de",
    )


def test_places_are_plain():
    for code in LANGUAGES:
        _, texts, told = language_room._read(code)
        for name, text in {**texts, **told}.items():
            for _, field, kind, conversion in string.Formatter().parse(text):
                assert field is None or field.isidentifier(), name
                assert conversion in (None, "u"), name
                assert not kind or (code == "en" and name in told), name


@pytest.mark.parametrize("language", OTHERS)
def test_why_nothing_is_told_of_a_change_is_said_in_every_language(language):
    reasons = {UNHEARD, ANOTHER_SOUND}
    for module in ("change", "compare"):
        for node in ast.walk(ast.parse((PACKAGE / "comparison" / f"{module}.py").read_text("utf-8"))):
            if (
                isinstance(node, ast.keyword)
                and node.arg == "reason"
                and isinstance(node.value, ast.Constant)
            ):
                reasons.add(node.value.value)
            if isinstance(node, ast.FunctionDef) and node.name == "_reason":
                reasons |= {said.value.value for said in ast.walk(node) if isinstance(said, ast.Return)}
    reasons.discard("")
    assert len(reasons) >= 8
    assert untranslated(sorted(reasons), language) == []
