"""Words by language, distances, money and dates by setting, on whole pages: nothing is said in English that no text file says."""

from __future__ import annotations

import re
import tomllib
from html.parser import HTMLParser

import polars as pl
import pytest

from pipeline.publish import pages
from pipeline.publish import words as module
from tests.publish.conftest import NASTY, make_context
from tests.publish.fleet_tables import make_fleet_tables
from tests.publish.test_early_sections import early_tables

# Letters of no Latin alphabet stand for those of English: what is still Latin on a page comes from the data, or is hard-coded.
OTHER = str.maketrans({chr(a + i): chr(b + i) for a, b in ((ord("a"), 0x0430), (ord("A"), 0x0410)) for i in range(26)})


class Seen(HTMLParser):
    """What a reader sees or hears: text, and the attributes that are read out; no styles, no scripts."""

    def __init__(self, html: str):
        super().__init__()
        self.said, self.open = [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        if tag in ("style", "script"):
            self.open.append(tag)
        self.said += [v for k, v in attrs if k in ("aria-label", "title", "alt", "placeholder", "data-failed") and v]

    def handle_endtag(self, tag):
        if self.open and self.open[-1] == tag:
            self.open.pop()

    def handle_data(self, data):
        if not self.open and data.strip():
            self.said.append(data.strip())


def other_language(value):
    """The texts with every letter changed, their places and marks kept."""
    if isinstance(value, dict):
        return {k: other_language(v) for k, v in value.items()}
    return "".join(p if p.startswith("{") else p.translate(OTHER) for p in re.split(r"(\{\w+\})", value))


def as_toml(table: dict, path: tuple[str, ...] = ()) -> str:
    """The texts as TOML: strings and tables of strings are all that a language file holds."""

    def quoted(text: str) -> str:
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'

    lines = [f"[{'.'.join(map(quoted, path))}]"] if path else []
    lines += [f"{quoted(k)} = {quoted(v)}" for k, v in table.items() if isinstance(v, str)]
    return "\n".join(lines) + "\n" + "".join(as_toml(v, (*path, k)) for k, v in table.items() if isinstance(v, dict))


@pytest.fixture(scope="module")
def everything(tables):
    return {**tables, **make_fleet_tables(NASTY), **early_tables()}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The reports folder with a second language in it, made from the first."""
    source = module.data_dir("reports")
    made = tmp_path_factory.mktemp("reports")
    english = (source / "text.en.toml").read_text(encoding="utf-8")
    (made / "text.en.toml").write_text(english, encoding="utf-8")
    (made / "text.xx.toml").write_text(as_toml(other_language(tomllib.loads(english))), encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def other_pages(everything, folder):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "data_dir", lambda name: folder)
        context = make_context(locale="xx")
        return {page.file: page for page in pages.build(everything, context, context.words())}, pages.render_all(everything, context)


def data_texts(frames) -> str:
    return " ".join(str(v) for t in frames.values() for c in t.columns if t[c].dtype == pl.String for v in t[c].unique().drop_nulls())


def test_a_second_language_is_a_file_and_nothing_on_the_pages_stays_english(other_pages, everything):
    known = " ".join(re.findall(r"[A-Za-z]+", data_texts(everything))).lower()
    left = {}
    for name, html in other_pages[1].items():
        assert '<html lang="xx">' in html
        for said in Seen(html).said:
            said = re.sub(r"[\w/-]+\.(csv|json|schema\.json|xlsx|ics|svg|png)\b", "", said)  # names of files are no words
            # Two Latin words in a row that the data do not hold: somebody wrote them into the code.
            for run in re.findall(r"[A-Za-z]{2,}(?:[ ,.:;]+[A-Za-z]{2,})+", said):
                if " ".join(re.findall(r"[A-Za-z]+", run)).lower() not in known:
                    left.setdefault(run, name)
    assert left == {"Harrow Lane Workshop": left.get("Harrow Lane Workshop")}  # the workshop's own name


def test_no_word_of_a_picture_stays_english(other_pages, everything):
    known = data_texts(everything)
    left = set()

    def look(part):
        if isinstance(part, dict):
            for key, value in part.items():
                if key == "datasets":
                    texts = [v for rows in value.values() for r in rows for v in r.values()]
                elif key in ("title", "text", "datum"):
                    texts = value if isinstance(value, list) else [value]
                else:
                    texts = []
                runs = [r for t in texts if isinstance(t, str) for r in re.findall(r"[A-Za-z]{3,}(?: [A-Za-z]{2,})+", t)]
                left.update(r for r in runs if r not in known)
                look(value)
        elif isinstance(part, list):
            for inner in part:
                look(inner)

    for page in other_pages[0].values():
        for chart in page.charts():
            look(chart.spec)
            look({"text": [chart.title, chart.alt, chart.read, chart.narrow_read]})
    assert left == set()


def test_miles_money_and_dates_by_setting_on_every_page(everything):
    context = make_context(distance="mi", currency="GBP", date_style="mdy")
    for name, html in pages.render_all(everything, context).items():
        said = " ".join(Seen(html).said)
        if name != "data_quality.html":  # it shows readings as they stood in the files
            assert not re.search(r"\d[\s\u00a0]km\b", said), name
        assert "€" not in said and not re.search(r"\b20\d\d-\d\d-\d\d\b", said), name
        assert "June 30, 2025" in said, name
    assert "£" in said or name == "data_quality.html"


@pytest.mark.parametrize(("style", "long", "short"), [("iso", "3 June 2025", "2025-06-03"), ("dmy", "3 June 2025", "03/06/2025"),
                                                      ("mdy", "June 3, 2025", "06/03/2025")])
def test_date_styles(style, long, short):
    import datetime as dt

    w = module.load_words(date_style=style)
    assert (w.date(dt.date(2025, 6, 3)), w.short_date(dt.date(2025, 6, 3))) == (long, short)
