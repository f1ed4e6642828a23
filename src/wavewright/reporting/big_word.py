"""A verdict in letters that are read across the room."""

from __future__ import annotations

LETTERS = {
    "A": (" ███ ", "█   █", "█████", "█   █", "█   █"),
    "C": (" ████", "█    ", "█    ", "█    ", " ████"),
    "E": ("█████", "█    ", "████ ", "█    ", "█████"),
    "F": ("█████", "█    ", "████ ", "█    ", "█    "),
    "I": ("███", " █ ", " █ ", " █ ", "███"),
    "L": ("█    ", "█    ", "█    ", "█    ", "█████"),
    "N": ("█   █", "██  █", "█ █ █", "█  ██", "█   █"),
    "O": (" ███ ", "█   █", "█   █", "█   █", " ███ "),
    "P": ("████ ", "█   █", "████ ", "█    ", "█    "),
    "R": ("████ ", "█   █", "████ ", "█  █ ", "█   █"),
    "S": (" ████", "█    ", " ███ ", "    █", "████ "),
    "U": ("█   █", "█   █", "█   █", "█   █", " ███ "),
    "V": ("█   █", "█   █", "█   █", " █ █ ", "  █  "),
}
HEIGHT = 5
BLOCK, PLAIN = "█", "#"


def big_word(word: str, *, encoding: str = "utf-8") -> list[str]:
    """The word as five lines of blocks, of `#` where the encoding has none; letters not in the table are left out."""
    try:
        BLOCK.encode(encoding)
        block = BLOCK
    except UnicodeEncodeError:
        block = PLAIN
    shapes = [LETTERS[letter] for letter in word.upper() if letter in LETTERS]
    return ["  ".join(shape[row] for shape in shapes).rstrip().replace(BLOCK, block) for row in range(HEIGHT)]
