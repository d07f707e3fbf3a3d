"""Forms lose nothing: what is wrong stands beside its field, what goes is asked for first."""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser

import pytest

from seeworthy.bench.takes import list_takes
from seeworthy.web.again import refill
from serving import served


@pytest.fixture
def client(empty_bench):
    yield from served(empty_bench.folder)


class Fields(HTMLParser):
    """Reads a page back as a browser does: values of the fields, and what follows a field."""

    def __init__(self, html):
        super().__init__()
        self.values, self.invalid, self.open = {}, [], 0
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        said = dict(attrs)
        if tag == "input" and said.get("type") not in ("radio", "checkbox"):
            self.values.setdefault(said.get("name"), []).append(said.get("value") or "")
        if "aria-invalid" in said:
            self.invalid.append(said.get("name"))
        if tag == "option" and "selected" in said:
            self.values.setdefault("selected", []).append(said.get("value"))


def camera(client, name="Dunlin"):
    answer = client.post("/cameras", data={"name": name, "unit": "1"}, follow_redirects=False)
    assert answer.status_code == 303
    return answer.headers["location"]


def ticket_of(client, name="KNO0001.MOV", data=b"pictures" * 40):
    ticket = client.post("/uploads", json={"name": name, "size": len(data)}).json()["ticket"]
    client.patch(f"/uploads/{ticket}?offset=0", content=data)
    return ticket


def test_a_wrong_reading_keeps_everything_and_the_upload(client, empty_bench):
    camera(client)
    ticket = ticket_of(client)
    data = {
        "procedure": "readout", "camera": "Dunlin\x1f1", "taken": "2026-03-21",
        "note": 'wet "dune" & wind', "reading.speed": "sixty", "reading.distance": "7 m",
        "condition.light": "bright", "file.role_": ticket,
    }  # fmt: skip
    answer = client.post("/takes", data=data, follow_redirects=False)
    assert answer.status_code == 400
    page = Fields(answer.text)
    assert page.values["reading.speed"] == ["sixty"]
    assert page.values["reading.distance"] == ["7 m"]
    assert page.values["note"] == ['wet "dune" & wind']
    assert page.values["taken"] == ["2026-03-21"]
    assert "Dunlin\x1f1" in page.values["selected"]
    assert page.values["file.role_"] == [ticket]
    assert set(page.invalid) == {"reading.speed", "condition.light"}
    assert "KNO0001.MOV" in answer.text
    at = answer.text.index('id="wrong-reading-speed"')
    assert (
        answer.text.index('name="reading.speed"')
        < at
        < answer.text.index('wrong-condition-light">')
    )
    assert list_takes(empty_bench) == []
    # The ticket still holds its bytes, so that a large clip need not be sent again.
    assert client.get(f"/uploads/{ticket}").json()["have"] == 320


def test_repeated_readings_come_back_each(client):
    camera(client)
    data = {"procedure": "body", "camera": "Dunlin\x1f1", "reading.length": ["40 mm", "soon"]}
    answer = client.post("/takes", data=data, follow_redirects=False)
    assert answer.status_code == 400
    assert Fields(answer.text).values["reading.length"] == ["40 mm", "soon"]


@pytest.mark.parametrize("extra", [{}, {"plain.role_": "KNO0001.MOV"}, {"reading.distance": "7 m"}])
def test_a_take_whose_clip_is_missing_is_not_entered(client, empty_bench, extra):
    camera(client)
    data = {"procedure": "readout", "camera": "Dunlin\x1f1", "note": "posts", **extra}
    answer = client.post("/takes", data=data, follow_redirects=False)
    assert answer.status_code == 400
    assert list_takes(empty_bench) == []
    assert 'value="posts"' in answer.text
    if "plain.role_" in extra:
        assert "was not sent" in answer.text


def test_every_file_field_has_a_name_so_that_nothing_is_dropped_in_silence(client):
    camera(client)
    for name in ("readout", "timing", "survival"):
        for tag in re.findall(r'<input type="file"[^>]*>', client.get(f"/procedures/{name}").text):
            assert 'name="plain.role_' in tag


def test_a_wrong_claim_stands_beside_its_field(client):
    address = camera(client)
    data = {"subject": "mass", "text": "ninety grams", "source": "box"}
    answer = client.post(f"{address}/claims", data=data, follow_redirects=False)
    assert answer.status_code == 400
    page = Fields(answer.text)
    assert page.invalid == ["text"]
    assert "ninety grams" in page.values["text"]
    assert "mass" in page.values["selected"]
    assert "box" in page.values["source"]


def test_a_camera_that_is_there_already_keeps_what_was_typed(client):
    camera(client)
    data = {"name": "Dunlin", "maker": "Wader Works", "unit": "B7"}
    answer = client.post("/cameras", data=data, follow_redirects=False)
    assert answer.status_code == 409
    page = Fields(answer.text)
    assert page.values["maker"] == ["Wader Works"]
    assert page.values["unit"] == ["B7"]
    assert page.invalid == ["name"]
    fold = answer.text[: answer.text.index('action="/cameras"')].rpartition("<details")[2]
    assert fold.partition(">")[0].endswith(" open")


def test_an_edit_that_is_wrong_keeps_what_was_typed(client, empty_bench):
    camera(client)
    data = {"procedure": "view", "camera": "Dunlin\x1f1",
            "reading.width": "70 in", "reading.distance": "50 in"}  # fmt: skip
    client.post("/takes", data=data)
    client.site.keeper.wait(60)
    edit = {"version": "1", "note": "again", "reading.width": "wide", "reading.distance": "52 in"}
    answer = client.post("/takes/1", data=edit, follow_redirects=False)
    assert answer.status_code == 400
    page = Fields(answer.text)
    assert page.values["reading.width"] == ["wide"]
    assert page.values["reading.distance"] == ["52 in"]
    assert page.values["note"] == ["again"]
    assert page.invalid == ["reading.width"]
    assert [r.text for r in list_takes(empty_bench)[0].readings] == ["70 in", "50 in"]


def test_nothing_is_removed_without_a_question(client, empty_bench):
    address = camera(client)
    client.post(f"{address}/claims", data={"subject": "mass", "text": "16 g"})
    claim = {"subject": "mass", "text": "16 g"}
    assert "Are you sure?" in client.post(f"{address}/claims/remove", data=claim).text
    assert len(client.get("/api/cameras/Dunlin").json()["claims"]) == 1
    client.post(f"{address}/claims/remove", data={**claim, "sure": "yes"})
    assert client.get("/api/cameras/Dunlin").json()["claims"] == []
    data = {"procedure": "view", "camera": "Dunlin\x1f1",
            "reading.width": "70 in", "reading.distance": "50 in"}  # fmt: skip
    client.post("/takes", data=data)
    client.site.keeper.wait(60)
    page = client.post("/takes/1/remove").text
    assert "Are you sure?" in page
    assert len(list_takes(empty_bench)) == 1
    client.post("/takes/1/remove", data={"sure": "yes"})
    assert list_takes(empty_bench) == []


def test_a_form_is_filled_and_the_rest_of_the_page_is_as_it_was():
    page = (
        "<!doctype html><p>a &amp; b &#8211;</p><details><summary>x</summary>"
        '<form action="/a"><input type="hidden" name="k" value="1"><input name="t" value="old">'
        "</form></details>"
        '<form action="/a"><input type="hidden" name="k" value="2"><input name="t" value="old">'
        '<select name="s"><option>one</option><option>two</option></select>'
        '<textarea name="w">old</textarea><input type="checkbox" name="c" value="y" checked></form>'
    )
    typed = [("k", "2"), ("t", 'n"<'), ("s", "two"), ("w", "</textarea>&")]
    full = refill(page, "/a", typed, "No.", "Do <so>.", "w")
    head = page[: page.index("</details>")]
    assert full.startswith(head)
    assert full.count('value="old"') == 1
    assert Fields(full).values["t"] == ["old", 'n"<']
    assert "<option selected>two</option>" in full
    assert "&lt;/textarea&gt;&amp;</textarea>" in full
    assert "checked" not in full
    assert full.index("</textarea><p") < full.index("Do &lt;so&gt;.")
    assert refill(page, "/b", typed, "No.") is None


# Words of the pages


def test_pages_of_tests_know_no_command_line(client):
    camera(client)
    from seeworthy.procedures import all_procedures

    for name in all_procedures():
        html = client.get(f"/procedures/{name}").text
        text = re.sub(r"<[^>]+>", " ", html)
        assert not re.search(r"`|--[a-z]|seeworthy [a-z]", text), name
        for field in re.findall(r"<label for=\"[a-z]+-[^>]*>([^<]*)<", html):
            assert not re.search(r"[_0-9]", field), (name, field)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("Add --reading distance=\"7 m\".", "Add the reading “distance”, for example 7 m."),
        ("Give --option lamp=mains.", "Give the choice “lamp”: mains (How to look at it)."),
        ("`seeworthy take list` lists them.", "the page Takes lists them."),
        ("Print it (`seeworthy target board`).", "Print it (the page Targets)."),
        ("From the `view` test.", "From the “Angle of view by tape” test."),
        ("a plain text - as it is", "a plain text - as it is"),
    ],
)  # fmt: skip
def test_command_words_become_page_words(said, words):
    from seeworthy.web.words import plain

    assert plain(said) == words


@pytest.mark.parametrize(
    ("share", "words"), [(-0.001, "0 %"), (0.0, "0 %"), (0.002, "under 1 %"), (0.434, "43 %")]
)
def test_a_share_has_no_signed_nought(share, words):
    from seeworthy.web.words import percent

    assert percent(share) == words


def test_errors_on_pages_speak_of_pages(client):
    camera(client)
    page = client.get("/takes/99").text
    assert "`" not in page
    assert "the page Takes" in page
    assert client.get("/favicon.ico").headers["content-type"].startswith("image/svg")


def test_enter_a_take_keeps_the_camera(client):
    address = camera(client)
    camera(client, "Knot")
    page = client.get(address).text
    assert 'href="/procedures?camera=Dunlin"' in page
    assert 'href="/procedures/view?camera=Dunlin"' in client.get("/procedures?camera=Dunlin").text


def test_a_slate_shows_the_whole_name_within_its_edge():
    from seeworthy.targets import slate

    name = "NIGHTHERON-MINIDV-1080P-SUPERWIDE-MK2X"
    drawn = slate.layout("x", (name, "unit 1", "Read-out time (rolling shutter)"))
    words = drawn.labels[:-2]
    assert "".join(w.text for w in words).startswith(name)
    assert "(rolling shutter)" in " ".join(w.text for w in words)
    for word in words:  # 0.68 em a letter, 0.73 em a capital: a judgement for usual sans faces
        assert word.at[0] + len(word.text) * word.size / 0.73 * 0.68 <= drawn.width
        assert 52 <= word.at[1] < 140


# Answers before forms


def weigh(client, name, mass):
    data = {"procedure": "body", "camera": f"{name}\x1f1", "reading.mass": mass}
    assert client.post("/takes", data=data, follow_redirects=False).status_code == 303
    client.site.keeper.wait(60)


def test_the_answer_stands_above_the_form(client):
    for name, mass in (("Dunlin", "17 g ± 0.2 g"), ("Knot", "300 g ± 0.2 g")):
        camera(client, name)
        weigh(client, name, mass)
    page = client.get("/compare").text
    assert page.index('class="mark-best"') < page.index("<form")
    assert page.count('class="mark-best"') == 1
    address = html.unescape(re.search(r'hx-get="(/compare/figures/0[^"]*)"', page)[1])
    drawn = client.get(address).text
    assert drawn.count("<svg") == 2
    assert "<td>Dunlin</td><td>17</td><td>16.608</td>" in drawn  # 17 g − 1.96 · 0.2 g
    assert client.get(address.replace("figures/0", "figures/9")).status_code == 404
    page = client.get("/suit?purpose=kite-picture").text
    assert re.findall(r'hx-get="/suit/figures/(\d)', page) == ["0", "1"]
    assert "Probability of every rank" in client.get("/suit/figures/1?purpose=kite-picture").text
    page = client.get("/suit").text
    row = page[page.index("/suit?purpose=kite-picture") : page.index("<form")]
    # 300 g is over the limit of 120 g that the purpose sets: said before anything is asked.
    assert "does not fit" in row.partition("</tr>")[0]
    page = client.get("/plan?motion.speed=14+m%2Fs").text
    answer = page[: page.index("<form")]
    assert "not known" in answer
    assert 'href="/procedures/readout?camera=Dunlin"' in answer
    home = client.get("/").text
    assert re.search(r"Best of the bench in</strong> mass", home)
    assert re.search(r"Last in</strong> mass", home)


@pytest.mark.parametrize(
    ("share", "words"), [(0.97, "very likely (97 %)"), (0.47, "about as likely as not (47 %)")]
)
def test_probabilities_in_words(share, words):
    from seeworthy.web.words import likely

    assert likely(share) == words


def test_us_customary_stands_first_where_it_is_set(client):
    camera(client)
    client.post("/settings", data={"units": "us"})
    weigh(client, "Dunlin", "0.8 oz ± 0.02 oz")
    page = client.get("/takes/1").text
    assert re.search(r'data-label="Value"><strong>0\.80\d*\W?oz', page)


def test_a_way_of_doing_it_hides_what_it_does_not_use(client):
    camera(client)
    every = Fields(client.get("/procedures/readout").text).values
    lamp = Fields(client.get("/procedures/readout?way=lamp").text).values
    assert {"reading.speed", "reading.lamp_frequency"} <= set(every)
    assert "reading.lamp_frequency" in lamp
    assert "reading.speed" not in lamp
    assert lamp["option.method"] == ["lamp"]
    data = {"procedure": "readout", "camera": "Dunlin\x1f1", "way": "lamp", "option.method": "lamp",
            "reading.lamp_frequency": "fifty", "taken": "2026-03-21"}  # fmt: skip
    back = Fields(client.post("/takes", data=data).text)
    assert back.values["reading.lamp_frequency"] == ["fifty"]
    assert "reading.speed" not in back.values  # what comes back is the same form
    assert client.get("/procedures/readout?way=tea").status_code == 400
    two = Fields(client.get("/procedures/view?way=two").text).values
    one = Fields(client.get("/procedures/view?way=one").text).values
    assert "reading.distance" in one
    assert "reading.distance" in two  # no way names it: every way asks for it
    assert "reading.distance2" not in one


def test_claims_begin_with_what_sellers_claim(client):
    page = client.get(camera(client)).text
    subjects = re.findall(r'<option value="(\w+)">', page[page.index('id="subject"') :])
    assert subjects[:3] == ["width_px", "height_px", "frame_rate"]
    assert subjects.index("run_time") < subjects.index("mtf50_ph_centre")
    assert len(subjects) == len(set(subjects))
