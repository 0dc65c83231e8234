"""Words and styles of the page: each is used somewhere, and each word that is asked for is there."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Route

from fleet.faces.api.page import TYPES, WEB

Place = tuple[str, ...]
"""Where a word stands: ("room", "trial", "keep") is `words.room.trial.keep`."""
OF_OTHERS = {"length", "map", "push", "textContent"}
"""Members of arrays and nodes: a name may stand for words in one function, and for such a thing in another."""
MEMBERS = r"((?:\??\.\w+)*)"
ALL_PATHS = """async () => {
  const { words } = await import("/words.js");
  const below = (one, path) =>
    one !== null && typeof one === "object" && !Array.isArray(one)
      ? Object.entries(one).flatMap(([key, value]) => below(value, [...path, key]))
      : [path];
  return below(words, []);
}"""


@pytest.fixture(scope="module")
def words(browser: Browser) -> frozenset[Place]:
    """Every word that the page has, as a browser reads them."""
    page = browser.new_page()

    def answer(route: Route) -> None:
        path = WEB / route.request.url.removeprefix("http://page/")
        route.fulfill(body=path.read_bytes(), content_type=TYPES[path.suffix])

    page.route("http://page/**", answer)
    page.goto("http://page/icon.svg")
    found = page.evaluate(ALL_PATHS)
    page.close()
    return frozenset(map(tuple, found))


def test_every_word_is_used(words: frozenset[Place]) -> None:
    asked = {place for _, places in _asked_for() for place in places if place}
    assert len(words) > 500
    assert {".".join(word) for word in words if not any(_is_about(place, word) for place in asked)} == set()


def test_every_word_that_is_asked_for_is_there(words: frozenset[Place]) -> None:
    asked = [(where, places) for where, places in _asked_for() if where.rpartition(".")[2] not in OF_OTHERS]
    assert len(asked) > 500
    assert [where for where, places in asked if not any(_is_about(place, w) for place in places for w in words)] == []


def test_every_class_of_a_style_sheet_is_used() -> None:
    given = {one for text in _scripts().values() for one in re.findall(r"[\w-]+", " ".join(_strings(text)))}
    # A class may be the name of a kind or a state, which is a key where it is turned into words or marks.
    given |= {
        one for text in _scripts(words=True).values() for one in re.findall(r'^\s*"?([\w-]+)"?:', text, re.MULTILINE)
    }
    for path in sorted(WEB.rglob("*.css")):
        style = re.sub(r"/\*.*?\*/", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        selectors = re.sub(r"\{[^{}]*\}", " ", style)
        classes = set(re.findall(r"\.([a-zA-Z][\w-]*)", selectors))
        assert classes, path.name
        assert classes - given == set(), path.name


def _is_about(asked: Place, word: Place) -> bool:
    """What is asked for is the word, or holds it, or is a part of it: the length of a text, a step of a list."""
    return word[: len(asked)] == asked or asked[: len(word)] == word


def _asked_for() -> Iterator[tuple[str, frozenset[Place]]]:
    """Every place of a script that asks for words, with what it may mean: one name may stand for several things."""
    for name, text in _scripts().items():
        known = _names_of_words(text)
        word = "|".join(map(re.escape, known))
        declared = rf"const (?:\w+|\{{ [^}}]* \}}) = (?:{word}){MEMBERS};|^import .*"
        for found in re.finditer(
            rf'(?<![\w.$"-])({word})\b(?!: ){MEMBERS}', re.sub(declared, "", text, flags=re.MULTILINE)
        ):
            members = _names(found[2])
            yield f"{name}: {found[0]}", frozenset((*base, *members) for base in known[found[1]])


def _names_of_words(text: str) -> dict[str, set[Place]]:
    """Names that stand for `words` or for a part of them in a script, with the parts that each stands for."""
    known: dict[str, set[Place]] = {"words": {()}}
    while True:
        before = sum(map(len, known.values()))
        for name, whole, members in re.findall(rf"(?:const |, )(\w+) = (\w+){MEMBERS}[;,]", text):
            for base in tuple(known.get(whole, ())):
                known.setdefault(name, set()).add((*base, *_names(members)))
        for taken, whole, members in re.findall(rf"const \{{ ([^}}]*) \}} = (\w+){MEMBERS};", text):
            for base in tuple(known.get(whole, ())):
                for member, _, name in (one.partition(": ") for one in taken.split(", ")):
                    known.setdefault(name or member, set()).add((*base, *_names(members), member))
        if before == sum(map(len, known.values())):
            return known


def _scripts(*, words: bool = False) -> dict[str, str]:
    """The page's scripts (and its document) without comments, by name; those with the words apart."""
    files = {path.relative_to(WEB).as_posix(): path for path in WEB.rglob("*") if path.suffix in {".js", ".html"}}
    return {
        name: re.sub(r"/\*[\s\S]*?\*/|(?<!\S)//.*", "", path.read_text(encoding="utf-8"))
        for name, path in files.items()
        if words or not name.startswith("words")
    }


def _strings(text: str) -> list[str]:
    return ["".join(parts) for parts in re.findall(r'"([^"\n]*)"|`([^`]*)`|\'([^\'\n]*)\'', text)]


def _names(members: str) -> Place:
    return tuple(re.findall(r"\w+", members))
