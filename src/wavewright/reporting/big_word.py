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


def big_word(word: str) -> list[str]:
    """The word as five lines of blocks; letters that are not in the table are left out."""
    shapes = [LETTERS[letter] for letter in word.upper() if letter in LETTERS]
    return ["  ".join(shape[row] for shape in shapes).rstrip() for row in range(HEIGHT)]
