"""House rules that a machine can keep: layers, fragments, paths, migrations, documents that tell the truth."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from django.apps import apps
from django.core.management import get_commands
from django.template import engines
from django.template.loader_tags import ExtendsNode, IncludeNode

HOUSE = Path(__file__).resolve().parents[2]
FLOORS = ("finishes", "estimating", "flips")
README = (HOUSE / "README.md").read_text()
DEVELOPERS = (HOUSE / "DEVELOPERS.md").read_text()
CI = (HOUSE / ".ci" / "run").read_text()
NOT_OURS = {"__pycache__", "node_modules", "venv", "data", "htmlcov", "static_collected", "test-results"}
TEXTS = {".py", ".html", ".css", ".js", ".md", ".txt", ".toml", ".svg", ".json", ".csv", ""}


def files(*suffixes):
    """The project's own files, by ending."""
    for folder, folders, names in os.walk(HOUSE):
        folders[:] = sorted(
            name
            for name in folders
            if (name == ".ci" or not name.startswith("."))
            and (name not in NOT_OURS or folder.endswith("finishes"))
            and not (Path(folder) / name / "pyvenv.cfg").exists()
        )
        for name in sorted(names):
            if Path(name).suffix in suffixes:
                yield Path(folder) / name


def named(path):
    return str(path.relative_to(HOUSE))


def commands_in(text):
    """Command lines shown in fenced blocks, joined parts taken apart."""
    blocks = re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)
    return [
        part.strip()
        for block in blocks
        for line in block.splitlines()
        for part in line.split("&&")
        if part.strip()
    ]


# Documents and code agree


def test_ci_calls_the_readmes_test_command_word_for_word():
    (command,) = [line for line in README.splitlines() if line.endswith("-m pytest")]

    assert f"\n{command} | tee" in CI


def test_the_readme_has_two_commands_that_do_it_all():
    assert (
        "python3 -m venv .venv && .venv/bin/pip install -r requirements.txt && .venv/bin/python manage.py start --demo"
        in README
    )


@pytest.mark.parametrize("command", commands_in(README) + commands_in(DEVELOPERS))
def test_every_command_in_the_documents_exists(command):
    words = shlex.split(command)
    if words[:2] == [".venv/bin/python", "manage.py"]:
        assert words[2] in get_commands()
    elif words[0] == ".venv/bin/pip":
        assert (HOUSE / words[-1]).is_file()
    elif words[1:3] == ["-m", "pytest"]:
        assert all((HOUSE / word).exists() for word in words[3:])
    elif words[1:3] == ["-m", "venv"]:
        assert words[0] == "python3"
    else:
        assert os.access(HOUSE / words[0], os.X_OK)


@pytest.mark.parametrize(
    "setting", sorted(set(re.findall(r"`(THIRD_COAT_[A-Z_]+|DATABASE_URL)[`=]", README + DEVELOPERS)))
)
def test_every_setting_in_the_documents_is_read_somewhere(setting):
    assert any(setting in path.read_text() for path in files(".py") if path != Path(__file__))


def test_every_setting_the_program_reads_is_documented():
    read = set(re.findall(r"THIRD_COAT_[A-Z_]+", (HOUSE / "flips" / "settings.py").read_text()))

    assert {name for name in read if name not in README + DEVELOPERS} == set()


@pytest.mark.parametrize(
    "path", sorted(set(re.findall(r"`((?:flips|estimating|finishes|tests|templates)/[\w./]+)`", DEVELOPERS)))
)
def test_every_path_in_the_documents_exists(path):
    assert (HOUSE / path).exists()


# The tree


def test_no_file_speaks_of_one_persons_machine():
    homes = re.compile(r"(?<![\w.])/(work|root|home/\w+|Users/\w+)/")
    found = [
        f"{named(path)}: {match.group()}"
        for path in files(*TEXTS)
        if path != Path(__file__)
        for match in homes.finditer(path.read_text(errors="replace"))
    ]

    assert found == []


def test_no_page_asks_another_host_for_anything():
    elsewhere = re.compile(
        r"""(?:src|href|action|hx-[a-z]+)\s*=\s*["']?(?:https?:)?//|url\(["']?(?:https?:)?//|@import"""
    )
    found = [
        f"{named(path)}: {match.group()}"
        for path in files(".html", ".css", ".js")
        for match in elsewhere.finditer(path.read_text())
    ]

    assert found == []


def test_no_page_carries_script_or_style_of_its_own():
    # The content security policy would switch it off without a word.
    inline = re.compile(
        r"<style|<script(?![^>]*\bsrc=)(?![^>]*type=\"application/json\")|\sstyle=|\son[a-z]+=", re.IGNORECASE
    )
    found = [
        f"{named(path)}: {match.group()}"
        for path in files(".html")
        for match in inline.finditer(path.read_text())
    ]

    assert found == []


def templates():
    for path in files(".html"):
        parts = path.relative_to(HOUSE).parts
        if "templates" in parts:
            yield "/".join(parts[parts.index("templates") + 1 :])


@pytest.mark.parametrize("name", sorted(templates()))
def test_every_template_can_be_read(name):
    # Reading finds unknown tags, unclosed blocks, and missing bases and fragments named in the text.
    template = engines["django"].get_template(name).template
    for node in template.nodelist.get_nodes_by_type((IncludeNode, ExtendsNode)):
        named_in = getattr(node, "template", None) or node.parent_name
        if not named_in.filters and isinstance(named_in.var, str):
            engines["django"].get_template(named_in.var)


def test_every_template_is_used():
    # Django itself asks for these by name.
    by_django = {"400.html", "403.html", "404.html", "500.html"}
    texts = {named(path): path.read_text() for path in files(".py", ".html")}
    unused = {
        name
        for name in templates()
        if name not in by_django
        and not name.startswith("django/")
        and not any(
            f'"{name}"' in text or f"'{name}'" in text
            for path, text in texts.items()
            if not path.endswith(f"/{name}")
        )
    }

    assert unused == set()


def test_a_fragment_is_no_page():
    whole = [
        named(path)
        for path in files(".html")
        if path.name.startswith("_") and "{% extends" in path.read_text()
    ]

    assert whole == []


def test_no_public_function_without_its_promise():
    bare = []
    for floor in FLOORS:
        for path in (HOUSE / floor).rglob("*.py"):
            if "migrations" not in path.parts and path.stat().st_size:
                first = path.read_text().lstrip()
                if not first.startswith(('"""', "#!/", "'''")):
                    bare.append(named(path))

    assert bare == [], "each module begins with one sentence of what it is for"


# The database


def test_no_migration_is_missing(tmp_path):
    """Asked in a process of its own: the tests themselves make their tables from the models."""
    asked = subprocess.run(
        [sys.executable, "manage.py", "makemigrations", "--check", "--dry-run"],
        cwd=HOUSE,
        env=os.environ | {"THIRD_COAT_DATA": str(tmp_path), "DJANGO_SETTINGS_MODULE": "flips.settings"},
        capture_output=True,
        text=True,
        check=False,
    )

    assert asked.returncode == 0, asked.stdout + asked.stderr


def test_no_money_or_length_is_kept_as_a_float_or_decimal():
    wrong = [
        f"{model._meta.label}.{field.name}"
        for floor in FLOORS
        for model in apps.get_app_config(floor).get_models()
        for field in model._meta.get_fields()
        if getattr(field, "get_internal_type", lambda: "")() == "FloatField"
        or (
            field.name.endswith(("_cents", "_nm"))
            and field.get_internal_type()
            not in ("BigIntegerField", "PositiveBigIntegerField", "IntegerField", "PositiveIntegerField")
        )
    ]

    assert wrong == []
