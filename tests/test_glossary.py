"""Words of the trade are explained where they stand, from one list."""

from __future__ import annotations

import pytest

from seeworthy.cli import main
from seeworthy.ground.errors import WrongCall
from seeworthy.ground.glossary import WORDS, explained, words_in
from serving import served


def test_words_are_found_whole_and_once():
    found = words_in(["MTF50 of 0.31 cy/px", "mtf50 again; nonstop gopher", "Δu'v' 0.004"])
    assert [word for word, _ in found] == ["MTF50", "cy/px", "Δu'v'"]
    assert words_in(["two key frames"])[0][0] == "key frame"
    assert words_in([""]) == []


def test_a_word_is_asked_for_however_it_is_written():
    assert explained(" mtf50 ")[0] == "MTF50"
    with pytest.raises(WrongCall, match="not in the list"):
        explained("tea")


def test_explanations_are_one_plain_sentence():
    for word, told in WORDS.items():
        assert told[0].islower() or told[0].isdigit(), word
        assert not told.endswith("."), word
        assert len(told) < 120, word


def test_the_command_line_explains(capsys):
    assert main.run(["procedures", "--words", "gop"]) == 0
    assert "coded whole" in capsys.readouterr().out
    assert main.run(["procedures", "sharpness"]) == 0
    said = capsys.readouterr().out
    assert "In words" in said
    assert "MTF50: how fine a pattern" in said


def test_the_page_of_a_test_explains(empty_bench):
    for client in served(empty_bench.folder):
        page = client.get("/procedures/sharpness").text
        assert "In other words: MTF50" in page
        assert "<dt>cy/px</dt>" in page
