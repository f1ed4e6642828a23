"""Instruments that listen and talk as IEEE 488.2 and SCPI-99 say: messages in, answers out, errors in a queue."""
