"""Photos: upright, bare of hidden data, in three sizes, and nothing hostile gets in."""

import hashlib
import io
import itertools
import random
import struct
import zlib
from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image, ImageCms, ImageDraw, ImageFont, ImageOps, PngImagePlugin

from flips import photos
from flips.photos import BadPhoto, look_alike, percent_alike, read_photo
from tests.references import heic
from tests.references.exif import DISPLAYED_BY_PILLOW, SIDES

BLOCK = 64


def encoded(image, kind="JPEG", **options):
    out = io.BytesIO()
    image.save(out, kind, **options)
    out.seek(0)
    return out


def drawn(size=(800, 600), mode="RGB"):
    image = Image.linear_gradient("L").resize(size).convert(mode)
    ImageDraw.Draw(image).ellipse((20, 20, size[0] // 2, size[1] // 2), fill=40)
    return image


def opened(photo, size="full"):
    return Image.open(io.BytesIO(photo.sizes[size]))


def six_blocks(orientation, kind="JPEG"):
    """A 3 x 2 picture of grey blocks 1 to 6, stored with an orientation."""
    image = Image.new("L", (3, 2))
    image.putdata([40 * value for value in range(1, 7)])
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    return encoded(
        image.resize((3 * BLOCK, 2 * BLOCK), Image.Resampling.NEAREST).convert("RGB"), kind, exif=exif
    )


def blocks_seen(photo):
    image = opened(photo).convert("L")
    columns, rows = image.width // BLOCK, image.height // BLOCK
    middles = [(x * BLOCK + BLOCK // 2, y * BLOCK + BLOCK // 2) for y in range(rows) for x in range(columns)]
    return columns, rows, [round(image.getpixel(middle) / 40) for middle in middles]


def worked_out(row_side, column_side):
    """Where the six blocks are seen, from what the Exif standard says of the 0th row and the 0th column."""
    across = row_side in ("left", "right")
    columns, rows = (2, 3) if across else (3, 2)
    seen = []
    for y in range(rows):
        for x in range(columns):
            from_side = {"top": y, "bottom": rows - 1 - y, "left": x, "right": columns - 1 - x}
            seen.append(from_side[row_side] * 3 + from_side[column_side] + 1)
    return columns, rows, seen


@pytest.mark.parametrize("orientation", DISPLAYED_BY_PILLOW)
def test_a_photo_is_turned_upright_as_published(orientation):
    assert blocks_seen(read_photo(six_blocks(orientation))) == DISPLAYED_BY_PILLOW[orientation]


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", SIDES)
def test_every_orientation_puts_the_first_row_and_column_where_exif_says(orientation, kind):
    assert blocks_seen(read_photo(six_blocks(orientation, kind))) == worked_out(*SIDES[orientation])


@pytest.mark.parametrize("orientation", DISPLAYED_BY_PILLOW)
def test_the_two_references_agree(orientation):
    assert worked_out(*SIDES[orientation]) == DISPLAYED_BY_PILLOW[orientation]


def test_three_sizes_by_their_long_edge():
    photo = read_photo(encoded(drawn((4000, 3000))))

    assert {name: opened(photo, name).size for name in photo.sizes} == {
        "full": (2560, 1920),
        "screen": (1280, 960),
        "thumb": (320, 240),
    }
    assert (photo.width, photo.height) == (2560, 1920)


def test_a_small_photo_is_not_blown_up():
    photo = read_photo(encoded(drawn((500, 200))))

    assert opened(photo, "screen").size == (500, 200)
    assert opened(photo, "thumb").size == (320, 128)


def test_a_very_thin_picture_keeps_one_pixel():
    assert opened(read_photo(encoded(Image.new("RGB", (9000, 1)), "PNG")), "thumb").size == (320, 1)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_what_the_file_holds_counts_and_not_its_name(kind):
    file = encoded(drawn(), kind)
    file.name = "note.txt"

    assert opened(read_photo(file)).format == "JPEG"


@pytest.mark.parametrize(
    ("content", "size", "red", "blue"),
    [(heic.PLAIN, (64, 48), (8, 24), (56, 24)), (heic.TURNED, (48, 64), (24, 8), (24, 56))],
    ids=["as stored", "to be turned"],
)
def test_a_heic_photo_is_read_upright_and_bare(content, size, red, blue):
    photo = read_photo(io.BytesIO(content))

    seen = opened(photo)
    assert seen.size == size
    assert seen.getpixel(red) == pytest.approx((255, 0, 0), abs=30)
    assert seen.getpixel(blue) == pytest.approx((0, 0, 255), abs=30)
    assert photo.taken_at == datetime(2026, 3, 7, 9, 5, 10)
    assert b"HIDDEN" not in b"".join(photo.sizes.values())


def test_a_phone_picture_with_a_second_one_behind_it_keeps_the_first():
    file = io.BytesIO()
    drawn().save(file, "MPO", save_all=True, append_images=[Image.new("RGB", (800, 600), "red")])

    photo = read_photo(file)

    assert opened(photo).format == "JPEG"
    assert opened(photo).getpixel((400, 590)) == pytest.approx(drawn().getpixel((400, 590)), abs=6)


def test_nothing_hidden_is_kept():
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "HIDDEN camera"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (12.0, 34.0, 56.0)
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.UserComment] = b"HIDDEN note"
    file = encoded(
        drawn(), exif=exif, comment=b"HIDDEN comment", xmp=b"<x:xmpmeta>HIDDEN</x:xmpmeta>", dpi=(300, 300)
    )
    assert file.getvalue().count(b"HIDDEN") == 4

    photo = read_photo(file)

    for size, content in photo.sizes.items():
        assert b"HIDDEN" not in content
        kept = opened(photo, size)
        assert not dict(kept.getexif())
        assert set(kept.info) <= {
            "jfif",
            "jfif_version",
            "jfif_unit",
            "jfif_density",
            "progressive",
            "progression",
        }


def test_hidden_text_of_a_png_is_not_kept():
    notes = PngImagePlugin.PngInfo()
    notes.add_text("Comment", "HIDDEN")

    assert b"HIDDEN" not in b"".join(read_photo(encoded(drawn(), "PNG", pnginfo=notes)).sizes.values())


def test_see_through_becomes_white():
    image = Image.new("RGBA", (60, 60), (200, 0, 0, 0))

    assert opened(read_photo(encoded(image, "PNG"))).getpixel((30, 30)) == (255, 255, 255)


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "I;16"])
def test_every_kind_of_png_keeps_its_shades(mode):
    image = (
        Image.new("I;16", (60, 60), 0x8000) if mode == "I;16" else Image.new("L", (60, 60), 128).convert(mode)
    )
    if mode == "1":
        image = Image.new("1", (60, 60), 1)

    shade = opened(read_photo(encoded(image, "PNG"))).getpixel((30, 30))

    assert shade == pytest.approx((255 if mode == "1" else 128,) * 3, abs=2)


def test_a_photo_for_print_comes_out_in_screen_colours():
    # Full magenta and yellow ink and no cyan is red on every printer.
    photo = read_photo(encoded(Image.new("CMYK", (64, 64), (0, 255, 255, 0))))

    red, green, blue = opened(photo).getpixel((30, 30))
    assert red > 200
    assert max(green, blue) < 60


def test_a_colour_profile_is_worked_in_and_left_out():
    lab_like = ImageCms.ImageCmsProfile(ImageCms.createProfile("XYZ")).tobytes()
    file = encoded(drawn(), icc_profile=lab_like)

    assert "icc_profile" not in opened(read_photo(file)).info


def test_a_broken_colour_profile_is_no_reason_to_refuse():
    assert opened(read_photo(encoded(drawn(), icc_profile=b"nonsense"))).size == (800, 600)


def test_the_camera_says_when():
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = "2026:03:07 09:05:10"

    assert read_photo(encoded(drawn(), exif=exif)).taken_at == datetime(2026, 3, 7, 9, 5, 10)

    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.OffsetTimeOriginal] = "+02:00"
    zone = timezone(timedelta(hours=2))

    assert read_photo(encoded(drawn(), exif=exif)).taken_at == datetime(2026, 3, 7, 9, 5, 10, tzinfo=zone)


@pytest.mark.parametrize("text", ["0000:00:00 00:00:00", "    :  :     :  :  ", "yesterday"])
def test_a_clock_that_was_never_set_says_nothing(text):
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = text

    assert read_photo(encoded(drawn(), exif=exif)).taken_at is None


def test_the_digest_is_of_the_file_as_sent():
    file = encoded(drawn())

    assert read_photo(file).digest == hashlib.sha256(file.getvalue()).hexdigest()


def test_same_photo_same_bytes():
    assert read_photo(encoded(drawn())) == read_photo(encoded(drawn()))


def receipt(number):
    """A till receipt of our own invention on a wooden table."""
    figures = random.Random(number)
    image = Image.effect_noise((900, 1300), 18).point(lambda shade: shade // 3 + 60)
    draw = ImageDraw.Draw(image)
    font = ImageFont.load_default(26)
    draw.rectangle((170, 80, 730, 1230), fill=235)
    draw.text((290, 110), "MILL LANE HARDWARE", fill=40, font=font)
    for line in range(figures.randint(4, 14)):
        thing = figures.choice(
            ["screws", "hide glue", "shellac flakes", "sanding discs", "brass hinges", "veneer tape"]
        )
        draw.text((200, 240 + 48 * line), thing, fill=50, font=font)
        draw.text(
            (620, 240 + 48 * line),
            f"{figures.randint(1, 99)}.{figures.randint(0, 99):02}",
            fill=50,
            font=font,
        )
    return image


@pytest.mark.parametrize(("width", "quality"), [(900, 80), (700, 40), (1800, 60)])
def test_one_receipt_photo_stored_anew_still_looks_alike(width, quality):
    first = receipt(1)
    anew = first.resize((width, width * 13 // 9))

    one, other = read_photo(encoded(first)), read_photo(encoded(anew, quality=quality))

    assert percent_alike(one.fingerprint, one.fingerprint) == 100
    assert look_alike(one.fingerprint, other.fingerprint)


def test_different_receipts_on_the_same_table_do_not_look_alike():
    prints = [read_photo(encoded(receipt(number))).fingerprint for number in range(8)]

    assert not any(look_alike(one, other) for one, other in itertools.combinations(prints, 2))


def test_two_blank_pictures_are_nothing_to_compare():
    blank = read_photo(encoded(Image.new("L", (400, 300), 200))).fingerprint

    assert not look_alike(blank, blank)


# Hostile and broken files


def png_header(width, height, data=b""):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return io.BytesIO(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("width", "height"), [(13_000, 13_000), (8_000, 6_251), (100_000, 100_000), (2**31 - 1, 1)]
)
def test_a_huge_picture_is_refused_by_its_header(width, height, monkeypatch):
    monkeypatch.setattr(photos, "_prepare", lambda *args: pytest.fail("was decoded"))

    with pytest.raises(BadPhoto, match="megapixels"):
        read_photo(png_header(width, height))


def test_a_header_that_lies_is_no_crash():
    with pytest.raises(BadPhoto, match="damaged"):
        read_photo(png_header(5000, 5000, zlib.compress(b"\0" * 100)))


def jpeg_claiming(width, height):
    small = encoded(Image.new("L", (16, 16))).getvalue()
    frame = small.index(b"\xff\xc0") + 5
    return io.BytesIO(small[:frame] + struct.pack(">HH", height, width) + small[frame + 4 :])


def test_a_jpeg_beyond_two_hundred_megapixels_is_refused():
    with pytest.raises(BadPhoto, match="megapixels"):
        read_photo(jpeg_claiming(15_000, 15_000))


def test_a_large_jpeg_is_read_at_a_part_of_its_size(monkeypatch):
    monkeypatch.setattr(photos, "MAX_PIXELS", 1_000_000)
    monkeypatch.setitem(photos.SIZES, "full", 640)

    photo = read_photo(encoded(drawn((3000, 2000))))

    assert opened(photo).size == (640, 427)


def test_a_large_progressive_jpeg_is_refused(monkeypatch):
    monkeypatch.setattr(photos, "MAX_PIXELS", 1_000_000)

    with pytest.raises(BadPhoto, match="6 megapixels"):
        read_photo(encoded(drawn((3000, 2000)), progressive=True))


def test_a_jpeg_of_a_thousand_scans_is_refused():
    good = encoded(drawn()).getvalue()
    scan = good.index(b"\xff\xda")

    with pytest.raises(BadPhoto, match="unusual"):
        read_photo(io.BytesIO(good[:scan] + b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00" * 1000 + good[scan:]))


def test_more_bytes_than_allowed_are_refused(monkeypatch):
    monkeypatch.setattr(photos, "MAX_BYTES", 2 * 1024 * 1024)

    with pytest.raises(BadPhoto, match="larger than 2 MB"):
        read_photo(io.BytesIO(encoded(drawn()).getvalue() + b"\0" * 3 * 1024 * 1024))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"\xff\xd8\xff", "not a JPEG"),
        (b"hello", "not a JPEG"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not a JPEG"),
        (b"%PDF-1.7", "not a JPEG"),
        (b"GIF89a" + b"\0" * 100, "not a JPEG"),
        (b"\0\0\0\x18ftypheic" + b"\0" * 200, "not a JPEG|damaged"),
    ],
    ids=["empty", "three bytes", "words", "drawing", "pdf", "gif", "hollow heic"],
)
def test_what_is_no_photo_is_refused_in_plain_words(content, said):
    with pytest.raises(BadPhoto, match=said):
        read_photo(io.BytesIO(content))


def test_a_real_gif_or_tiff_is_not_taken():
    for kind in ("GIF", "TIFF", "BMP", "PPM"):
        with pytest.raises(BadPhoto, match="not a JPEG"):
            read_photo(encoded(drawn(), kind))


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_a_moving_picture_is_refused(kind):
    file = encoded(drawn(), kind, save_all=True, append_images=[ImageOps.invert(drawn())])

    with pytest.raises(BadPhoto, match="moving"):
        read_photo(file)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("part", [0.3, 0.6, 0.9])
def test_a_file_cut_short_is_refused(kind, part):
    whole = encoded(drawn(), kind).getvalue()

    with pytest.raises(BadPhoto):
        read_photo(io.BytesIO(whole[: int(len(whole) * part)]))


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from(["JPEG", "PNG", "WEBP", "HEIF"]),
    st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), min_size=1, max_size=12),
)
def test_a_damaged_file_is_read_or_refused_but_never_anything_else(kind, changes):
    content = bytearray(heic.PLAIN if kind == "HEIF" else encoded(drawn((120, 90)), kind).getvalue())
    for place, value in changes:
        content[int(place * len(content))] = value

    try:
        photo = read_photo(io.BytesIO(bytes(content)))
    except BadPhoto:
        return
    assert opened(photo).format == "JPEG"
