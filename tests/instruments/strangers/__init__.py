"""Instruments of the tests' own over real sockets, written apart from the simulation, with faults as ordered.

They speak SCPI-99 as the shipped profiles want it, and an invented dialect (`tarn`) by profiles that stand here.
"""
