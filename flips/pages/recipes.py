"""Recipes: steps in order for a surface, judged while they are built; the same builder serves the finish of a piece."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db.models import Count
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.utils.text import capfirst
from django.views.decorators.http import require_http_methods, require_POST

from finishes.cautions import Caution
from finishes.models import FinishSchedule, RecipeStep, ShopShelf, StepRow, shop_shelf
from finishes.recipes import USUAL, titled
from finishes.schedules import REFUSED, Refusal, Step, holds
from flips.access import open_to_helper
from flips.actions import finishing
from flips.models import Piece
from flips.models.day_plan import Doing, step_cautions
from flips.pages.answers import Done, answer, go, once, refusals_on, refused_status
from flips.pages.forms import RecordForm, forms
from flips.pages.step_forms import STEP_COLUMNS, StepForm, surface_choices, typed_into

# ---- the builder -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Said:
    """One thing wrong with a step, and the button that puts it right where there is one."""

    refusal: Refusal
    fix: str = ""

    @property
    def is_refused(self) -> bool:
        """It would fail; otherwise it is a caution."""
        return self.refusal.severity == REFUSED


@dataclass(frozen=True)
class Line:
    """One step as the builder lists it."""

    row: StepRow
    number: int
    step: Step
    said: tuple[Said, ...]
    cautions: tuple[Caution, ...]
    doing: Doing | None = None

    @property
    def title(self) -> str:
        """What it is called."""
        return capfirst(self.step.title)


@dataclass(frozen=True)
class Built:
    """A recipe or schedule as the builder shows it."""

    lines: tuple[Line, ...]
    steps: tuple[Step, ...]
    refusals: tuple[Refusal, ...]

    @property
    def holds(self) -> bool:
        """Nothing in it is refused."""
        return bool(self.lines) and holds(self.refusals)

    @property
    def refused_count(self) -> int:
        """How many things would fail."""
        return sum(refusal.severity == REFUSED for refusal in self.refusals)

    @property
    def cautions(self) -> list[Caution]:
        """What to mind while doing any of it, each once."""
        return list({c.code: c for line in self.lines for c in line.cautions}.values())

    @property
    def titles(self) -> list[str]:
        """The steps by name."""
        return [line.title for line in self.lines]


def built(
    owner: finishing.Builder,
    *,
    shelf: ShopShelf,
    rows: Sequence[StepRow] | None = None,
    doings: Mapping[int, Doing] | None = None,
) -> Built:
    """The steps of a recipe or schedule with what is wrong with each; ``doings`` says when, by the step's id."""
    rows = finishing.rows_of(owner) if rows is None else rows
    steps = titled([row.as_step(shelf, done_at=getattr(row, "done_at", None)) for row in rows])
    refusals = finishing.judge_steps(owner, shelf=shelf, steps=steps)
    fixes = finishing.fixes_for(owner, shelf=shelf, steps=steps, refusals=refusals)
    lines = tuple(
        Line(
            row,
            n + 1,
            step,
            tuple(Said(r, fixes.get(r, "")) for r in refusals if r.step == n + 1),
            step_cautions(step, over=owner.over),
            (doings or {}).get(row.pk),
        )
        for n, (row, step) in enumerate(zip(rows, steps, strict=True))
    )
    return Built(lines, steps, refusals)


def add_from(
    request: HttpRequest, owner: finishing.Builder, form: StepForm, *, back: str
) -> HttpResponse | None:
    """Adds the step of a valid form; None when it was refused, with the reason on the form."""

    def add() -> Done:
        with typed_into(**STEP_COLUMNS):
            finishing.add_step(owner, by=request.user, at=form.place, **form.columns)  # type: ignore[arg-type]
        return Done(back, "Step added.")

    return once(request, form, add)


def change_from(request: HttpRequest, row: StepRow, form: StepForm, *, back: str) -> HttpResponse | None:
    """Saves the changed step of a valid form; None when it was refused."""
    with refusals_on(form), typed_into(**STEP_COLUMNS):
        for name, value in form.columns.items():
            setattr(row, name, value)
        row.full_clean()
        row.save()
    return None if form.errors else go(request, Done(back, "Step changed."))


def move_from(request: HttpRequest, row: StepRow, *, back: str) -> HttpResponse:
    """Moves a step up or down."""
    try:
        finishing.move_step(row, up=request.POST.get("way") == "up")
    except ValidationError as refused:
        return go(request, Done(back, " ".join(refused.messages)))
    return go(request, Done(f"{back}#step-{row.pk}"))


def right_from(request: HttpRequest, owner: finishing.Builder, *, back: str) -> HttpResponse:
    """Makes the change offered for a refusal."""
    number = request.POST.get("step", "")
    try:
        said = finishing.put_step_right(
            owner,
            by=request.user,  # type: ignore[arg-type]
            number=int(number) if number.isdigit() and len(number) < 5 else 0,
            rule=request.POST.get("rule", ""),
        )
    except ValidationError as refused:
        return go(request, Done(back, " ".join(refused.messages)))
    return go(request, Done(back, f"Done: {said[0].lower()}{said[1:]}."))


# ---- recipes -----------------------------------------------------------------------------------------------


class RecipeForm(forms.Form):
    """A new recipe, empty or from a usual one."""

    name = forms.CharField(
        label="Name of the recipe", max_length=80, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    over = forms.ChoiceField(label="What it goes on", required=False)
    usual = forms.ChoiceField(
        label="Start from",
        required=False,
        choices=[("", "Nothing: I add the steps"), *((name, name) for name in USUAL)],
        help_text="Usual recipes of the trade, no source; change whatever you do otherwise.",
    )

    def __init__(self, *args: Any, shelf: ShopShelf, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["over"].choices = surface_choices(shelf)  # type: ignore[attr-defined]

    def steps(self) -> list[StepRow]:
        """The steps it starts with."""
        return [
            RecipeStep(
                place=place,
                action=step.action,
                shipped=step.product,
                remark=step.remark,
                wait_minutes=None if step.wait is None else round(step.wait.total_seconds() / 60),
            )
            for place, step in enumerate(USUAL.get(self.cleaned_data["usual"], ()))
        ]


@require_http_methods(["GET", "POST"])
@open_to_helper
def recipes(request: HttpRequest) -> HttpResponse:
    """Every recipe, and a new one."""
    shelf = shop_shelf()
    form = RecipeForm(request.POST or None, shelf=shelf)
    if request.method == "POST" and form.is_valid():

        def add() -> Done:
            typed = form.cleaned_data
            recipe = finishing.new_recipe(
                by=request.user,  # type: ignore[arg-type]
                name=typed["name"],
                over=typed["over"] or "bare wood",
                steps=form.steps(),
            )
            return Done(recipe.get_absolute_url(), "Recipe kept.")

        if done := once(request, form, add):
            return done
    rows = FinishSchedule.objects.in_use().annotate(step_count=Count("steps"))
    return answer(
        request,
        "finishes/recipes.html",
        {"recipes": rows, "form": form, "tab": "more"},
        status=refused_status(form),
    )


class RecipeEditForm(RecordForm):
    """What a recipe is called and goes on."""

    class Meta:
        model = FinishSchedule
        fields = ["name", "over", "note", "retired"]

    def __init__(self, *args: Any, shelf: ShopShelf, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["over"] = forms.ChoiceField(label="What it goes on", choices=surface_choices(shelf))


def _recipe_page(request: HttpRequest, recipe: FinishSchedule, shelf: ShopShelf, **more: Any) -> HttpResponse:
    shown = more.pop("shown", None) or built(recipe, shelf=shelf)
    context = {
        "recipe": recipe,
        "built": shown,
        "form": StepForm(shelf=shelf, titles=shown.titles),
        "edit_form": RecipeEditForm(instance=recipe, shelf=shelf),
        "pieces": Piece.objects.owned().order_by("-stage_on", "-pk")[:20],
        "add_url": reverse("recipe_step_new", args=[recipe.pk]),
        "right_url": reverse("recipe_right", args=[recipe.pk]),
        "step_route": "recipe_step",
        "move_route": "recipe_step_move",
        "tab": "more",
    }
    status = more.pop("status", 200)
    return answer(request, "finishes/recipe.html", context | more, status=status)


@require_http_methods(["GET", "POST"])
@open_to_helper
def recipe(request: HttpRequest, recipe_id: int) -> HttpResponse:
    """One recipe: its steps with what would fail and the way round; its name and surface are changed here."""
    shown, shelf = get_object_or_404(FinishSchedule, pk=recipe_id), shop_shelf()
    if request.method == "GET":
        return _recipe_page(request, shown, shelf)
    form = RecipeEditForm(request.POST, instance=shown, shelf=shelf)
    if form.is_valid():
        with refusals_on(form):
            form.save()
        if not form.errors:
            to = reverse("recipes") if shown.retired else shown.get_absolute_url()
            return go(request, Done(to, "Saved."))
    fresh = get_object_or_404(FinishSchedule, pk=recipe_id)
    return _recipe_page(request, fresh, shelf, edit_form=form, status=refused_status(form))


@require_http_methods(["GET", "POST"])
@open_to_helper
def recipe_step_new(request: HttpRequest, recipe_id: int) -> HttpResponse:
    """Adds a step."""
    owner, shelf = get_object_or_404(FinishSchedule, pk=recipe_id), shop_shelf()
    shown = built(owner, shelf=shelf)
    form = StepForm(request.POST or None, shelf=shelf, titles=shown.titles)
    if request.method == "POST" and form.is_valid():
        done = add_from(request, owner, form, back=f"{owner.get_absolute_url()}#add-step")
        if done:
            return done
    return _recipe_page(request, owner, shelf, shown=shown, form=form, status=refused_status(form))


def _step(step_id: int) -> RecipeStep:
    return get_object_or_404(RecipeStep.objects.select_related("recipe"), pk=step_id)


@require_http_methods(["GET", "POST"])
@open_to_helper
def recipe_step(request: HttpRequest, step_id: int) -> HttpResponse:
    """Changes a step."""
    row, shelf = _step(step_id), shop_shelf()
    back = row.recipe.get_absolute_url()
    form = StepForm(request.POST or None, shelf=shelf, initial=StepForm.of(row))
    if request.method == "POST" and form.is_valid():
        done = change_from(request, row, form, back=f"{back}#step-{row.pk}")
        if done:
            return done
    return answer(
        request,
        "finishes/step.html",
        {
            "form": form,
            "title": step_title(row.recipe, row, shelf),
            "back": back,
            "back_text": row.recipe.name,
            "remove_url": reverse("recipe_step_remove", args=[row.pk]),
            "tab": "more",
        },
        status=refused_status(form),
    )


def step_title(owner: finishing.Builder, row: StepRow, shelf: ShopShelf) -> str:
    rows = finishing.rows_of(owner)
    titles = finishing.steps_of(owner, shelf=shelf, rows=rows)
    found = [step.title for one, step in zip(rows, titles, strict=True) if one.pk == row.pk]
    if not found:
        raise Http404("That step has been taken out.")
    return capfirst(found[0])


@require_POST
@open_to_helper
def recipe_step_remove(request: HttpRequest, step_id: int) -> HttpResponse:
    """Takes a step out."""
    row = _step(step_id)
    finishing.remove_step(row, by=request.user)  # type: ignore[arg-type]
    return go(request, Done(row.recipe.get_absolute_url(), "Step taken out."))


@require_POST
@open_to_helper
def recipe_step_move(request: HttpRequest, step_id: int) -> HttpResponse:
    """Moves a step up or down."""
    row = _step(step_id)
    return move_from(request, row, back=row.recipe.get_absolute_url())


@require_POST
@open_to_helper
def recipe_right(request: HttpRequest, recipe_id: int) -> HttpResponse:
    """Puts one refused step right."""
    owner = get_object_or_404(FinishSchedule, pk=recipe_id)
    return right_from(request, owner, back=owner.get_absolute_url())


urlpatterns = [
    path("recipes/", recipes, name="recipes"),
    path("recipes/<int:recipe_id>/", recipe, name="recipe"),
    path("recipes/<int:recipe_id>/steps/", recipe_step_new, name="recipe_step_new"),
    path("recipes/<int:recipe_id>/right/", recipe_right, name="recipe_right"),
    path("recipes/steps/<int:step_id>/", recipe_step, name="recipe_step"),
    path("recipes/steps/<int:step_id>/remove/", recipe_step_remove, name="recipe_step_remove"),
    path("recipes/steps/<int:step_id>/move/", recipe_step_move, name="recipe_step_move"),
]
