"""Photos: the files behind the log-in, one photo's page, adding and voiding."""

from __future__ import annotations

from django.core.exceptions import PermissionDenied
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path, reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from flips.access import open_to_helper
from flips.actions.photos import keep_photos
from flips.models import Moment, Photo, Piece
from flips.pages.answers import Done, answer, go, once, undo_token
from flips.pages.forms import PhotosField, RecordForm, forms

SIZES = ("thumb", "screen", "full")


def _visible(request: HttpRequest, photo_id: str) -> Photo:
    photo = get_object_or_404(Photo.objects.select_related("piece"), pk=photo_id)
    if photo.shows_money and not request.user.is_owner:  # type: ignore[union-attr]
        raise PermissionDenied("Only the owner sees slips.")
    return photo


def _page_of(photo: Photo) -> str:
    """Where the thing is that a photo shows."""
    if photo.receipt_id:
        return reverse("receipt", args=[photo.receipt_id])
    if photo.purchase_id:
        return reverse("purchase", args=[photo.purchase_id])
    return photo.piece.get_absolute_url() if photo.piece else reverse("bench")


@require_GET
@open_to_helper
def photo_file(request: HttpRequest, photo_id: str, size: str) -> HttpResponse | FileResponse:
    """The JPEG itself, for whoever may see it; a browser keeps it for itself, nobody between does."""
    if size not in SIZES:
        raise Http404
    photo = _visible(request, photo_id)
    try:
        file = getattr(photo, size).open("rb")
    except FileNotFoundError:
        raise Http404("That photo is not on disk.") from None
    response = FileResponse(file, content_type="image/jpeg")
    response["Cache-Control"] = "private, max-age=31536000, immutable"
    return response


class PhotoForm(RecordForm):
    """What a photo shows and when it was taken."""

    class Meta:
        model = Photo
        fields = ["moment", "caption"]
        widgets = {"moment": forms.RadioSelect}


@require_http_methods(["GET", "POST"])
@open_to_helper
def photo(request: HttpRequest, photo_id: str) -> HttpResponse:
    """One photo, large, with its caption."""
    shown = _visible(request, photo_id)
    form = PhotoForm(request.POST or None, instance=shown)
    back = _page_of(shown)
    if request.method == "POST" and form.is_valid():
        form.save()
        return go(request, Done(back, "Photo saved."))
    return answer(
        request,
        "flips/photos/photo.html",
        {"photo": shown, "form": form, "back": back},
        status=422 if form.errors else 200,
    )


@require_POST
@open_to_helper
def photo_void(request: HttpRequest, photo_id: str) -> HttpResponse:
    """Takes a photo out of sight; helpers only their own."""
    shown = _visible(request, photo_id)
    if not request.user.is_owner and shown.created_by_id != request.user.pk:  # type: ignore[union-attr]
        raise PermissionDenied("Only your own photos.")
    shown.void(by=request.user, reason=request.POST.get("reason", "") or "taken away")  # type: ignore[arg-type]
    back = _page_of(shown)
    return go(request, Done(back, "Photo taken away.", undo_token("voided", shown)))


class PhotosForm(forms.Form):
    """Photos for a piece."""

    photos = PhotosField(label="Photos", required=True)
    moment = forms.ChoiceField(
        label="Taken",
        choices=[choice for choice in Moment.choices if choice[0] != Moment.SLIP],
        initial=Moment.DURING,
        widget=forms.RadioSelect,
    )


@require_http_methods(["GET", "POST"])
@open_to_helper
def photos_add(request: HttpRequest, piece_id: int) -> HttpResponse:
    """Adds photos to a piece."""
    piece = get_object_or_404(Piece.objects.live(), pk=piece_id)
    form = PhotosForm(
        request.POST or None,
        request.FILES or None,
        initial={"moment": request.GET.get("moment", Moment.DURING)},
    )
    if request.method == "POST" and form.is_valid():

        def keep() -> Done:
            kept = keep_photos(
                form.cleaned_data["photos"],
                by=request.user,  # type: ignore[arg-type]
                piece=piece,
                moment=form.cleaned_data["moment"],
            )
            return Done(piece.get_absolute_url(), f"{len(kept)} photo{'s' if len(kept) > 1 else ''} kept.")

        if done := once(request, form, keep):
            return done
    return answer(
        request, "flips/photos/add.html", {"piece": piece, "form": form}, status=422 if form.errors else 200
    )


urlpatterns = [
    path("photos/<uuid:photo_id>/<slug:size>.jpg", photo_file, name="photo_file"),
    path("photos/<uuid:photo_id>/", photo, name="photo"),
    path("photos/<uuid:photo_id>/void/", photo_void, name="photo_void"),
    path("pieces/<int:piece_id>/photos/", photos_add, name="photos_add"),
]
