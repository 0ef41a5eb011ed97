"""Photos as they are kept: turned upright, without place or any other hidden data, in three sizes."""

import hashlib
import io
import threading
import warnings
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import IO

import pi_heif
from PIL import ExifTags, Image, ImageCms

pi_heif.register_heif_opener()

MAX_BYTES = 40 * 1024 * 1024
MAX_PIXELS = 50_000_000
# A JPEG can be read at a half, a quarter or an eighth of its size without holding all of it.
MAX_JPEG_PIXELS = 200_000_000
# A photo has about ten; thousands of scans in one file only burn time.
MAX_SCANS = 200
FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")
# Longest edge in pixels.
SIZES: Mapping[str, int] = {"full": 2560, "screen": 1280, "thumb": 320}
QUALITY = 82
# Fields across and down that a fingerprint looks at, and the shade (of 255) by which neighbours must differ to count.
FIELDS, CONTRAST = 32, 2
# Measured on drawn till receipts laid on one table, the hardest case: one photo stored anew in other sizes and
# qualities is at least 95 % alike, 25 different receipts are at most 90 % and mostly 70 % alike.
SAME_PICTURE_PERCENT = 93

# CIPA DC-008 (Exif 2.32), tag 274: which corner the first stored row and column belong to.
UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}

# Pillow's own limit lets a 169 megapixel PNG through; this module asks the header for less, see `_refuse_by_header`.
Image.MAX_IMAGE_PIXELS = MAX_JPEG_PIXELS
# Decoding is what takes memory: one photo at a time in each process, however many are being uploaded.
_one_at_a_time = threading.Lock()


class BadPhoto(ValueError):
    """The file cannot be kept as a photo; the text says why, in words for the person who chose it."""


@dataclass(frozen=True)
class PreparedPhoto:
    """A photo ready to be stored: JPEG bytes for "full", "screen" and "thumb", with no metadata in them.

    `width` and `height` are the pixels of "full"; `digest` is the SHA-256 of the file as sent (64 hex digits);
    `fingerprint` is how it looks, to compare with `look_alike` (512 hex digits); `taken_at` is what the camera's
    clock said, with its offset from UTC only if the camera stored one.
    """

    sizes: Mapping[str, bytes]
    width: int
    height: int
    digest: str
    fingerprint: str
    taken_at: datetime | None


def read_photo(file: IO[bytes]) -> PreparedPhoto:
    """The photo in `file` (JPEG, PNG, WebP or HEIC by content, whatever its name), or BadPhoto with the reason."""
    digest = _read_through(file)
    with _one_at_a_time:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", Image.DecompressionBombWarning)
                image = Image.open(file, formats=FORMATS)
        except Image.DecompressionBombError:
            raise BadPhoto(_too_large("more than 200")) from None
        except Exception:
            raise BadPhoto("This file is not a JPEG, PNG, WebP or HEIC photo, or it is damaged.") from None
        with image:
            _refuse_by_header(image)
            try:
                return _prepare(image, digest)
            except BadPhoto:
                raise
            # A hostile file can make a decoder fail in any way there is; each means the same to the person.
            except Exception:
                raise BadPhoto("This photo is damaged or cut short. Try to save or send it again.") from None


def percent_alike(one: str, other: str) -> int:
    """How much two fingerprints have in common: 100 for the same picture; 0 too when there is nothing to compare."""
    marks, others = int(one, 16), int(other, 16)
    either = (marks | others).bit_count()
    return 100 * (marks & others).bit_count() // either if either else 0


def look_alike(one: str, other: str) -> bool:
    """Whether two fingerprints most likely are of one photo, sent twice or stored anew."""
    return percent_alike(one, other) >= SAME_PICTURE_PERCENT


def _read_through(file: IO[bytes]) -> str:
    file.seek(0)
    digest, size, scans = hashlib.sha256(), 0, 0
    while chunk := file.read(1024 * 1024):
        digest.update(chunk)
        size += len(chunk)
        # Inside JPEG data an 0xFF byte is always followed by 0: this pair is the start of a scan and nothing else.
        scans += chunk.count(b"\xff\xda")
        if size > MAX_BYTES:
            raise BadPhoto(
                f"This file is larger than {MAX_BYTES // 1024**2} MB. Send a smaller version of the photo."
            )
    if not size:
        raise BadPhoto("This file is empty. Choose the photo again.")
    file.seek(0)
    is_jpeg = file.read(2) == b"\xff\xd8"
    file.seek(0)
    if is_jpeg and scans > MAX_SCANS:
        raise BadPhoto(
            "This JPEG is built in an unusual way that takes too long to read. Save it again and send that."
        )
    return digest.hexdigest()


def _too_large(megapixels: str) -> str:
    return f"This picture has {megapixels} megapixels, which is more than can be read. Send a smaller version of it."


def _refuse_by_header(image: Image.Image) -> None:
    pixels = image.width * image.height
    is_jpeg = image.format in ("JPEG", "MPO")
    # A progressive file is held whole before it can be shrunk.
    limit = MAX_JPEG_PIXELS if is_jpeg and not image.info.get("progressive") else MAX_PIXELS
    if pixels > limit:
        raise BadPhoto(_too_large(str(round(pixels / 1_000_000))))
    if image.format in ("PNG", "WEBP") and getattr(image, "n_frames", 1) > 1:
        raise BadPhoto("This is a moving picture. Send a still photo.")


def _prepare(image: Image.Image, digest: str) -> PreparedPhoto:
    if image.format in ("JPEG", "MPO"):
        edge, longest = SIZES["full"], max(image.size)
        image.draft(None, (max(1, edge * image.width // longest), max(1, edge * image.height // longest)))
        if image.width * image.height > MAX_PIXELS:
            raise BadPhoto(_too_large(str(round(image.width * image.height / 1_000_000))))
    image.load()
    exif = _exif_of(image)
    picture = _shrunk(_paintable(image), SIZES["full"])
    picture = _in_plain_colours(picture, image.info.get("icc_profile"))
    turn = UPRIGHT.get(exif.get(ExifTags.Base.Orientation, 1))
    if turn is not None:
        picture = picture.transpose(turn)
    sizes = {}
    width, height = picture.size
    for name, edge in SIZES.items():
        picture = _shrunk(picture, edge)
        sizes[name] = _as_jpeg(picture)
    return PreparedPhoto(
        sizes=sizes,
        width=width,
        height=height,
        digest=digest,
        fingerprint=_fingerprint(picture),
        taken_at=_taken_at(exif),
    )


def _exif_of(image: Image.Image) -> Image.Exif:
    # Damaged EXIF is no reason to refuse a photo that can be seen.
    with suppress(Exception):
        exif = image.getexif()
        exif.get(ExifTags.Base.Orientation)
        return exif
    return Image.Exif()


def _paintable(image: Image.Image) -> Image.Image:
    """A version in a mode that shrinks without harm to its colours."""
    if image.mode.startswith("I"):
        # Sixteen bits a pixel: Pillow's plain conversion would clip instead of scale.
        return image.convert("I").point(lambda value: value / 256).convert("L")
    if image.mode in ("P", "PA", "1") or "transparency" in image.info:
        return image.convert("RGBA" if "transparency" in image.info or image.mode == "PA" else "RGB")
    return image


def _shrunk(image: Image.Image, edge: int) -> Image.Image:
    longest = max(image.size)
    if longest <= edge:
        return image
    size = (max(1, round(image.width * edge / longest)), max(1, round(image.height * edge / longest)))
    return image.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0)


def _in_plain_colours(image: Image.Image, profile: bytes | None) -> Image.Image:
    """`image` in sRGB on white, whatever colours and transparency it was stored with."""
    if image.mode in ("RGBA", "LA", "RGBa", "La"):
        image = image.convert("RGBA")
        ground = Image.new("RGB", image.size, "white")
        ground.paste(image, mask=image.getchannel("A"))
        image = ground
    if profile:
        # A broken profile, or one made for other colours, leaves the picture as it is.
        with suppress(Exception):
            converted = ImageCms.profileToProfile(
                image,
                ImageCms.ImageCmsProfile(io.BytesIO(profile)),
                ImageCms.createProfile("sRGB"),
                outputMode="RGB",
            )
            if converted is not None:
                image = converted
    return image.convert("RGB")


def _as_jpeg(picture: Image.Image) -> bytes:
    # Comments and profiles travel in `info`: a picture without any has nothing to carry along.
    picture.info = {}
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY, optimize=True, progressive=True)
    return out.getvalue()


def _fingerprint(picture: Image.Image) -> str:
    """For each field, whether it is clearly brighter or clearly darker than its right neighbour: two bits."""
    shades = picture.convert("L").resize((FIELDS + 1, FIELDS), Image.Resampling.BOX).tobytes()
    bits = 0
    for row in range(FIELDS):
        start = row * (FIELDS + 1)
        for left, right in pairwise(shades[start : start + FIELDS + 1]):
            bits = bits << 2 | (left > right + CONTRAST) << 1 | (right > left + CONTRAST)
    return f"{bits:0{FIELDS * FIELDS // 2}x}"


def _taken_at(exif: Image.Exif) -> datetime | None:
    with suppress(Exception):
        inner = exif.get_ifd(ExifTags.IFD.Exif)
        for moment, offset in (
            (ExifTags.Base.DateTimeOriginal, ExifTags.Base.OffsetTimeOriginal),
            (ExifTags.Base.DateTimeDigitized, ExifTags.Base.OffsetTimeDigitized),
        ):
            text = str(inner.get(moment, "")).strip("\0 ")
            if not text:
                continue
            # The camera's clock: which zone it was set to is for the shop to say.
            taken = datetime.strptime(text, "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007
            with suppress(ValueError, KeyError):
                return datetime.strptime(f"{text} {str(inner[offset]).strip(chr(0))}", "%Y:%m:%d %H:%M:%S %z")
            return taken
    return None
