"""CAN FD: what is fixed about its frames.

ISO 11898-1:2015 †: after FDF = 1 come res, BRS, ESI and DLC; the bit rate changes at the sample point of BRS and back
at that of the CRC delimiter. The CRC field holds the number of stuff bits (three bits in Gray code and even parity) and
the CRC, with a fixed stuff bit in front and after every fourth bit.
"""

from __future__ import annotations

LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Data bytes by data length code (ISO 11898-1 †)."""
GRAY = (0, 1, 3, 2, 6, 7, 5, 4)
"""The Gray code of the number of stuff bits modulo 8."""
COUNT_BITS = 4
"""What the CRC field begins with: the number of stuff bits, and its parity."""
TRAILER = 9
"""Bits after the CRC delimiter: acknowledge slot and delimiter, end of frame."""
SHORT, LONG = "canfd17", "canfd21"
MOST_FOR_SHORT = 16
"""Data bytes up to which the shorter check is used."""
