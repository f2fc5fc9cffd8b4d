"""Every language has every sentence, with the same values, and nothing else."""

from __future__ import annotations

import re
from pathlib import Path
from string import Formatter

import pytest
from babel.messages.catalog import Message

from pipeline.language.catalogue import languages, read_catalogue, script_sentences
from pipeline.language.extraction import written
from tests.pipeline.language.pseudo_language import ROOT, template

FOLDER = ROOT / "pipeline" / "language" / "catalogues"
OTHERS = languages()[1:]
SCRIPTS = sorted((ROOT / "pipeline" / "review" / "web" / "static").glob("*.js"))


def keys(messages: object) -> dict[tuple[str | None, object], Message]:
    return {(one.context, one.id): one for one in messages if one.id}  # type: ignore[attr-defined]


def forms(text: object) -> list[str]:
    return [text] if isinstance(text, str) else [str(form) for form in text]  # type: ignore[union-attr]


def values(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name}


def test_the_template_has_the_sentences_of_the_sources() -> None:
    assert (FOLDER / "pages.pot").read_bytes() == written(template()), "run python .ci/catalogues.py"


def test_there_is_a_second_language() -> None:
    assert "de" in OTHERS


@pytest.mark.parametrize("language", OTHERS)
def test_a_language_has_every_sentence_and_no_other(language: str) -> None:
    wanted, known = keys(template()), keys(read_catalogue(language))
    assert known.keys() == wanted.keys()
    missing = [key for key, message in known.items() if not all(forms(message.string))]
    assert not missing


@pytest.mark.parametrize("language", OTHERS)
def test_translations_have_the_values_of_their_sentences(language: str) -> None:
    for (_, source), message in keys(read_catalogue(language)).items():
        wanted = values(forms(source)[-1])
        for form in forms(message.string):
            # A form that is for one number only may say the number in words.
            assert values(form) <= wanted, source
            assert values(form) | {"number", "numbers"} >= wanted, source


@pytest.mark.parametrize("language", OTHERS)
def test_labels_of_keys_have_the_key_of_the_source(language: str) -> None:
    for (_, source), message in keys(read_catalogue(language)).items():
        for one, form in zip(forms(source), forms(message.string), strict=True):
            key = re.search(r"\[(.)\]", one)
            if key and "mm" not in one:
                found = re.search(r"\[(.)\]", form)
                assert found is not None, source
                assert found[1].lower() == key[1].lower(), source


@pytest.mark.parametrize("language", OTHERS)
def test_a_script_gets_its_sentences_with_all_forms(language: str) -> None:
    given = script_sentences(language, "review/web/static/")
    sentences = given["sentences"]
    assert isinstance(sentences, dict)
    assert len(sentences) > 50
    assert isinstance(sentences["{number} to review"], list)
    assert str(given["plural"]).startswith("101")  # one egg is in the singular


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_shows_no_sentence_of_its_own(script: Path) -> None:
    """Text of several words that is in no catalogue would be English in every language."""
    known = {form for message in template() if message.id for form in forms(message.id)}
    source = re.sub(
        r"/\*.*?\*/|^ *//.*?$| // .*?$", "", script.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE
    )
    texts = [text.replace("\\u2026", "…") for text in re.findall(r'"((?:[^"\\\n]|\\.)*)"', source)]
    texts += [part for one in re.findall(r"`([^`]*)`", source) for part in re.split(r"\$\{[^}]*\}+", one)]
    sentences = [text for text in texts if re.search(r"[A-Za-z]{2,},? [a-z]{2,}", text) and text not in known]
    assert [text for text in sentences if text not in STYLES] == []


COMMENTS = re.compile(r"/\*.*?\*/|^ *//.*?$| // .*?$", flags=re.DOTALL | re.MULTILINE)
STYLES = {"egg-number selected", "line drawn ", "input, textarea, select", "input, select", ".filters select"}
"""Classes of elements, and selectors."""
STYLES |= {"input:not([type=range]), textarea, select", "button, a, summary"}
