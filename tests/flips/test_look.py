"""The look: contrast in both modes, size, strictness of the markup, and what a phone may keep."""

import json
import re
from pathlib import Path

import brotli
import pytest
from django import forms
from django.conf import settings
from django.core.paginator import Paginator
from django.template.loader import render_to_string
from django.test import Client
from django.urls import reverse
from PIL import Image

from flips.models import Person, Shop

STATIC = Path(settings.BASE_DIR) / "flips" / "static" / "flips"
TEMPLATES = sorted((Path(settings.BASE_DIR) / "templates").rglob("*.html"))
CSS = (STATIC / "site.css").read_text()


def palette(dark):
    """The colours of one mode: the light ones, with the dark ones over them."""
    light, darker = re.findall(r":root \{\s*((?:--[\w-]+|color-scheme): .*?)\}", CSS, re.S)[:2]
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light))
    return colours | (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", darker)) if dark else {})


def luminance(colour):
    """Relative luminance by the definition in WCAG 2.2 (W3C Recommendation), "relative luminance"."""
    parts = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    """Contrast ratio by the definition in WCAG 2.2, "contrast ratio"."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_formula_spans_the_published_range():
    # WCAG 2.2: "Contrast ratios can range from 1 to 21".
    assert contrast("#ffffff", "#000000") == pytest.approx(21)
    assert contrast("#777777", "#777777") == 1


TEXT_ON = [
    *[("ink", ground) for ground in ("ground", "surface", "sunk", "bar", "lamp-soft", "alarm-soft")],
    *[("quiet", ground) for ground in ("ground", "surface", "sunk", "bar", "lamp-soft")],
    *[("alarm", ground) for ground in ("ground", "surface", "sunk", "alarm-soft")],
    ("on-lamp", "lamp"),
    ("surface", "ink"),
]
SHAPES_ON = [
    *[("edge", ground) for ground in ("ground", "surface", "sunk")],
    *[("lamp-edge", ground) for ground in ("ground", "surface", "sunk", "bar", "lamp-soft")],
    *[("ring", ground) for ground in ("ground", "surface", "sunk", "bar", "lamp-soft")],
    *[("alarm", ground) for ground in ("ground", "surface", "sunk")],
]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize(("text", "ground"), TEXT_ON)
def test_text_stands_out_enough(text, ground, dark):
    # WCAG 2.2, success criterion 1.4.3 Contrast (Minimum), AA: 4.5 to 1.
    colours = palette(dark)

    assert contrast(colours[text], colours[ground]) >= 4.5


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize(("shape", "ground"), SHAPES_ON)
def test_borders_and_focus_rings_stand_out_enough(shape, ground, dark):
    # WCAG 2.2, success criterion 1.4.11 Non-text Contrast, AA: 3 to 1.
    colours = palette(dark)

    assert contrast(colours[shape], colours[ground]) >= 3


def test_modes_differ_and_both_name_the_same_colours():
    assert palette(dark=True).keys() == palette(dark=False).keys()
    assert palette(dark=True)["ground"] != palette(dark=False)["ground"]


def test_colours_are_only_named_once():
    rest = CSS[CSS.index("*, *::before") :]
    before_print = rest[: rest.index("@media print")]

    assert re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[;,\s])", before_print) == []


def test_style_and_scripts_stay_small():
    assert len(CSS.encode()) < 25_000
    assert len((STATIC / "app.js").read_bytes()) < 15_000
    sent = sum(
        len(brotli.compress((STATIC / name).read_bytes())) for name in ("site.css", "app.js", "keeping.js")
    )
    assert sent < 20_000


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: str(path.relative_to(settings.BASE_DIR)))
def test_templates_obey_the_content_security_policy(template):
    markup = template.read_text()

    assert not re.search(r"<[^>]*\sstyle\s*=", markup)
    assert not re.search(r"<[a-z][^>]*\son[a-z]+\s*=", markup)
    assert not re.search(r"<style|javascript:|hx-on", markup)
    assert not re.search(r"<script(?![^>]*\ssrc=)", markup)


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: str(path.relative_to(settings.BASE_DIR)))
def test_templates_load_nothing_from_another_host(template):
    assert not re.search(r"""(?:src|href|action|srcset)\s*=\s*["']?(?:https?:)?//""", template.read_text())


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda path: str(path.relative_to(settings.BASE_DIR)))
def test_every_form_that_posts_proves_where_it_comes_from(template):
    forms_in = re.findall(r"<form[^>]*method=\"post\".*?</form>", template.read_text(), re.S)

    assert all("{% csrf_token %}" in form for form in forms_in)


def test_style_and_scripts_name_no_other_host():
    for file in [*STATIC.glob("*.css"), *STATIC.glob("*.js")]:
        assert not re.search(r"https?://", file.read_text()), file.name


def test_style_knows_reduced_motion_print_and_dark():
    for query in (
        "prefers-color-scheme: dark",
        "prefers-reduced-motion",
        "@media print",
        ":focus-visible",
        "color-scheme: light dark",
    ):
        assert query in CSS


def test_the_page_for_a_broken_server_needs_no_server():
    page = (Path(settings.BASE_DIR) / "templates" / "500.html").read_text()

    assert "{%" not in page
    assert "{{" not in page


class Ask(forms.Form):
    length = forms.CharField(label="Length", help_text="Write inches like 23 5/8.")
    fate = forms.ChoiceField(label="What becomes of it", choices=[("keep", "Keep")], widget=forms.RadioSelect)
    later = forms.BooleanField(label="Remind me", required=False)


def test_a_refused_field_names_its_help_and_its_error():
    field = Ask({"length": ""})["length"].as_field_group()

    assert '<label for="id_length">Length' in field
    assert 'aria-describedby="id_length_helptext id_length_error"' in field
    assert 'aria-invalid="true"' in field
    assert 'id="id_length_helptext"' in field
    assert 'id="id_length_error"' in field


def test_choices_are_a_named_group():
    field = Ask({})["fate"].as_field_group()

    assert "<fieldset" in field
    assert "<legend>What becomes of it" in field
    assert 'aria-describedby="id_fate_error"' in field


def test_a_tick_box_lies_inside_its_label():
    assert re.search(
        r'<label class="check"><input type="checkbox"[^>]*><span>Remind me', Ask()["later"].as_field_group()
    )


def test_a_unit_stands_beside_its_field():
    field = render_to_string("shared/_field.html", {"field": Ask()["length"], "unit_after": "in"})

    assert "<span>in</span>" in field


def test_a_stage_is_said_in_words_beside_its_shape():
    pill = render_to_string("shared/_stage.html", {"stage": "in_work", "label": "In work"})

    assert "In work" in pill
    assert 'aria-hidden="true"' in pill


def test_figures_stay_away_from_helpers():
    figures = [{"label": "Paid", "cents": 8000}]
    shop = Shop(name="Dusk Lane", currency_code="USD")

    assert "80.00" in render_to_string(
        "shared/_figures.html", {"figures": figures, "owner": True, "shop": shop}
    )
    assert "80.00" not in render_to_string(
        "shared/_figures.html", {"figures": figures, "owner": False, "shop": shop}
    )


def test_the_pager_keeps_the_rest_of_the_question(rf):
    page = Paginator(range(9), 3).page(2)

    shown = render_to_string("shared/_pager.html", {"page": page}, rf.get("/", {"words": "oak", "page": "2"}))

    assert "words=oak&amp;page=1" in shown
    assert "words=oak&amp;page=3" in shown


@pytest.fixture
def shop(db):
    return Shop.objects.create(name="Dusk Lane Workshop")


def signed_in(role):
    person = Person.objects.create(username=role, name=role.title(), role=role)
    client = Client()
    client.force_login(person)
    return client


@pytest.mark.parametrize("name", ["worker", "manifest", "offline"])
def test_what_a_phone_keeps_is_open_to_all(shop, client, name):
    assert client.get(reverse(name)).status_code == 200


def test_the_worker_is_made_anew_when_a_kept_file_changes(shop, client, monkeypatch):
    from flips.pages import offline

    before = client.get(reverse("worker"))
    monkeypatch.setattr(offline, "_text_of", lambda name: b"// changed")
    after = client.get(reverse("worker"))

    assert before["Service-Worker-Allowed"] == "/"
    assert before["Content-Type"].startswith("text/javascript")
    told = json.loads(re.match(r"self\.COAT = (\{.*?\});\n", before.content.decode())[1])
    changed = json.loads(re.match(r"self\.COAT = (\{.*?\});\n", after.content.decode())[1])
    assert told["files"]
    assert told["shell"] == f"{reverse('find')}?shell=1"
    assert told["version"] != changed["version"]


def test_the_manifest_names_icons_of_the_size_they_have(shop, client):
    icons = json.loads(client.get(reverse("manifest")).content)["icons"]

    pixels = {icon["src"]: icon["sizes"] for icon in icons if icon["type"] == "image/png"}
    assert pixels
    for source, size in pixels.items():
        with Image.open(STATIC / source.rsplit("/", 1)[1]) as image:
            assert f"{image.width}x{image.height}" == size


def test_a_stranger_gets_no_form_proof(shop, client):
    assert client.get(reverse("offline_token")).status_code == 302


def test_a_helper_gets_a_form_proof_with_their_own_number(shop):
    answer = signed_in("helper").get(reverse("offline_token")).json()

    assert answer["token"]
    assert answer["viewer"] == Person.objects.get().pk


def test_the_gallery_is_closed_where_it_matters(shop, settings):
    settings.DEBUG = settings.DEMO = False

    assert signed_in("owner").get(reverse("look")).status_code == 404


def test_the_gallery_is_closed_to_helpers(shop, settings):
    settings.DEMO = True

    assert signed_in("helper").get(reverse("look")).status_code == 403


def test_the_owner_finds_money_in_the_navigation_and_a_helper_does_not(shop):
    find = reverse("find")

    assert reverse("money") in signed_in("owner").get(find).content.decode()
    assert f'href="{reverse("money")}"' not in signed_in("helper").get(find).content.decode()
