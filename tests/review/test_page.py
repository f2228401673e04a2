"""The page: one file, all words escaped, the order of the review meeting."""

import re
from dataclasses import replace

from yieldkit.answers.result import Finding
from yieldkit.review.model import Section
from yieldkit.review.page import render
from yieldkit.wording import page as words


def test_page_is_one_file_that_fetches_nothing(review):
    made = render(review)
    assert made.lstrip().startswith("<!doctype html>")
    assert not re.search(r'(src|href)="(?!data:|#)', made)
    assert "url(" not in made and "@import" not in made


def test_what_the_records_say_is_escaped(review):
    made = render(review)
    assert "<script" not in made
    assert "&lt;script&gt;" in made
    assert "Crew &lt;A&gt;" in made


def test_decisions_come_first_with_step_and_caution(review):
    made = render(review)
    head, _, rest = made.partition('id="arrived"')
    assert "One thing needs a decision." in head
    assert "Turn the blade of C-03" in head
    assert "safety glasses" in head
    assert 'href="#d1">decision 1' in rest


def test_a_decision_is_said_once(review):
    assert render(review).count("This part could not be worked out") == 1


def test_an_empty_section_says_so_and_what_to_do(review):
    assert words.NOTHING_HERE["decisions"].split("(")[0] in render(review)


def test_page_says_how_persons_and_safety_stand(review):
    made = render(review)
    assert "not legal advice" in made.replace("\n", " ")
    assert "Local rules" in made
    assert words.PRIVACY_LEAD[:30] not in made.replace("&#39;", "'")


def test_sections_follow_the_meeting():
    assert list(words.SECTIONS)[:7] == [
        "arrived",
        "open",
        "yields",
        "drift",
        "losses",
        "decisions",
        "parts",
    ]


def test_what_finds_no_room_at_the_top_is_counted_there(review):
    many = tuple(
        Finding("page_not_worked_out", {"why": f"reason {number}"}, "watch") for number in range(8)
    )
    found = [section for section in review.sections if section.code != "parts"]
    made = render(replace(review, sections=(*found, Section("parts", findings=many))))
    assert "eight to watch" in made
    assert "And 2 more, in the sections below." in made


def test_a_section_whose_findings_stand_at_the_top_says_so(review):
    found = [section for section in review.sections if section.code != "parts"]
    alone = Section("parts", findings=(Finding("page_not_worked_out", {"why": "x"}, "watch"),))
    assert words.SAID_ABOVE in render(replace(review, sections=(*found, alone)))
