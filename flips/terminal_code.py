"""A QR code drawn with letters, to be read off a terminal by a phone."""

from reportlab.graphics.barcode.qr import QrCodeWidget

# ISO/IEC 18004: four light modules all round, or scanners do not find the code.
QUIET = 4
UPPER, LOWER, BOTH, NEITHER = "▀", "▄", "█", " "


def modules(text: str) -> list[list[bool]]:
    """The code's square of modules, True where dark, without its quiet zone."""
    code = QrCodeWidget(text, barLevel="M").qr
    code.make()
    size = code.getModuleCount()
    return [[bool(code.isDark(row, column)) for column in range(size)] for row in range(size)]


def drawn(text: str) -> str:
    """The code for `text` in half-block characters, quiet zone included, light modules drawn in the ink."""
    inner = modules(text)
    side = len(inner) + 2 * QUIET
    light = [[True] * side for _ in range(side + side % 2)]
    for row, line in enumerate(inner):
        for column, dark in enumerate(line):
            light[row + QUIET][column + QUIET] = not dark
    signs = {(True, True): BOTH, (True, False): UPPER, (False, True): LOWER, (False, False): NEITHER}
    pairs = zip(light[::2], light[1::2], strict=True)
    return "\n".join("".join(signs[pair] for pair in zip(*rows, strict=True)) for rows in pairs)


def drawn_for_terminal(text: str) -> str:
    """The same in white on black, whatever colours the terminal has."""
    return "\n".join(f"\x1b[97;40m{line}\x1b[0m" for line in drawn(text).splitlines())
