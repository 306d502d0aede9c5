"""Drawings beside the questions: one for each, well formed, told to those who do not see them."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from audiodiag.causes import load_knowledge
from audiodiag.desk.drawings import DETAILS, LOOKS, PARTS, look_at
from audiodiag.desk.pages.templates import _environment

QUESTIONS = [each.name for each in load_knowledge().observations]


def _drawn(question: str) -> ElementTree.Element:
    """The figure beside a question, read as XML: what is not well formed fails here."""
    source = (
        "{% import 'drawings.html' as drawings with context %}{{ drawings.beside_question(name, 'here') }}"
    )
    text = _environment().from_string(source).render(name=question)
    return ElementTree.fromstring(text.replace("<br>", "<br/>"))


def test_every_question_has_its_drawing_and_none_is_left_over():
    assert set(QUESTIONS) == set(LOOKS)
    assert {look.detail for look in LOOKS.values()} == set(DETAILS)
    assert {part for look in LOOKS.values() for part in look.parts} <= set(PARTS)


@pytest.mark.parametrize("question", QUESTIONS)
def test_drawing_is_well_formed_marks_its_parts_and_says_what_it_shows(question):
    figure, look = _drawn(question), LOOKS[question]
    schematic, detail = figure.findall("svg")
    marked = {g.get("data-part") for g in schematic.iter("g") if "here" in g.get("class", "")}
    assert marked == set(look.parts), "what is marked is what the question asks about"
    assert len([g for g in schematic.iter("g") if g.get("data-part")]) == len(PARTS)
    ids = {each.get("id") for each in figure.iter() if each.get("id")}
    for drawing in (schematic, detail):
        assert drawing.get("role") == "img"
        assert set(drawing.get("aria-labelledby").split()) <= ids
    told = schematic.findtext("desc")
    assert all(PARTS[part] in told for part in look.parts)
    assert detail.findtext("title") == DETAILS[look.detail]
    assert detail.find("g").findall("*"), "a detail that is named is drawn"


@pytest.mark.parametrize("question", QUESTIONS)
def test_drawing_takes_its_colours_from_the_theme(question):
    text = ElementTree.tostring(_drawn(question), encoding="unicode")
    assert not re.search(r"#[0-9a-f]{3,6}\b|rgb\(|style=|(fill|stroke)=", text)


def test_question_that_is_not_known_here_shows_the_whole_without_a_mark():
    assert look_at("something_new").parts == ()


def test_page_of_all_questions_draws_each_once_with_names_of_its_own(desk):
    page = desk.advisor().get(f"/cases/{desk.case()}?questions=all").text
    assert page.count('<figure class="drawn">') == len(QUESTIONS)
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_the_question_that_is_asked_stands_beside_its_drawing(desk):
    page = desk.advisor().get(f"/cases/{desk.case()}").text
    asked = re.search(r'name="saw\.(\w+)"', page)[1]
    figure = page[page.index('<figure class="drawn">') : page.index("</figure>")]
    for part in LOOKS[asked].parts:
        assert f'class="part here" data-part="{part}"' in figure
