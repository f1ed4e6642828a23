"""Elementary and special functions that are the same, bit for bit, on every system.

IEEE 754 states what additions, multiplications, divisions and square roots give. Sines, exponentials and all that is
made of them come from the mathematics library of each system, and differ in the last digit; so would every number that
follows from them. Here they are made of what the standard states.
"""
