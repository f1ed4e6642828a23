"""The record of one input, as a profile says how it is fetched: block or slices, its scale, and how many samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from wavewright.errors import BadAnswer
from wavewright.instruments.compound_query import QueryUnit
from wavewright.instruments.dif import dif_waveform
from wavewright.instruments.samples import codes_of, sample_type
from wavewright.instruments.scaling import Axes, FirstScale, axes_from_settings, told_axes
from wavewright.instruments.setting import fill
from wavewright.waveform import Codes, Waveform

if TYPE_CHECKING:
    from wavewright.instruments.block_reader import Bytes
    from wavewright.instruments.link import Link
    from wavewright.instruments.profile import Profile
    from wavewright.instruments.record_grammar import SampleFormat
    from wavewright.instruments.settings_in_use import SettingsInUse
    from wavewright.instruments.setups import InputSetup


class RecordReader:
    """Reads the records of one digitizer.

    `format` : name of the profile's form in which samples come now.
    """

    def __init__(self, link: Link, profile: Profile) -> None:
        self._link, self._profile = link, profile
        self._scale = FirstScale()
        self.format = profile.grammar.waveform.format

    @property
    def patience(self) -> float:
        """For a record, s."""
        return float(self._profile.grammar.quirks.record_timeout)

    def begin(self) -> None:
        """Another set-up: its first record decides which scale all of them must have."""
        self._scale = FirstScale()

    def read(self, name: str, one: InputSetup, used: SettingsInUse) -> Waveform:
        """The record of an input, named `name`, in volts at the probe tip.

        Raises
        ------
        BadAnswer : fewer or more samples than the instrument said it takes, or a scale that makes no sense.
        SetOtherwise : it has another scale than the first one of the set-up.
        NoAnswer, LinkLost
        """
        grammar = self._profile.grammar.waveform
        form = grammar.formats[self.format]
        if grammar.scale.told_in == "dif":
            return self._fetch_dif(name, one, used)
        data = self._fetch_bytes(one.input, form, used)
        axes = self._axes(one, form, data, used)
        with self._link.naming(grammar.fetch[-1]):
            codes = self._profile.dialect.codes(codes_of(data[grammar.scale.head :], form, invalid=grammar.invalid))
        self._check_length(codes, name, used)
        return Waveform(
            codes,
            gain=axes.gain * one.attenuation,
            offset=axes.offset * one.attenuation,
            interval=axes.interval,
            start=axes.start,
            name=name,
            code_range=form.codes,
        )

    def _fetch_dif(self, name: str, one: InputSetup, used: SettingsInUse) -> Waveform:
        """Scale and time axis are in the answer itself."""
        *before, query = (fill(message, {"input": one.input}) for message in self._profile.grammar.waveform.fetch)
        for message in before:
            self._link.write(message)
        answer = self._link.ask_expression(query, timeout=self.patience)
        wave = dif_waveform(answer, one.input, where=self._link.where)
        axes = Axes(wave.gain, wave.offset, wave.interval, wave.start)
        self._scale.check(axes, one.input, where=self._link.where)
        self._check_length(wave.codes, name, used)
        return replace(wave, gain=wave.gain * one.attenuation, offset=wave.offset * one.attenuation, name=name)

    def _fetch_bytes(self, number: int, form: SampleFormat, used: SettingsInUse) -> Bytes:
        grammar = self._profile.grammar.waveform
        if grammar.slices is None:
            return self._fetch_part({"input": number}, used.points, form)
        parts: list[Bytes] = []
        total, size = used.points, int(grammar.slices.points)
        for first in range(0, total, size):
            count = min(size, total - first)
            begin = first + grammar.slices.first
            where = {"input": number, "first": begin, "last": begin + count - 1, "count": count}
            part = self._fetch_part(where, count, form)
            parts.append(part[grammar.scale.head :] if parts else part)  # each slice has the head; one is enough
        if form.samples == "ascii":
            return np.frombuffer(b",".join(part.tobytes().strip() for part in parts), dtype=np.uint8)
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _fetch_part(self, where: Mapping[str, object], count: int, form: SampleFormat) -> Bytes:
        grammar = self._profile.grammar.waveform
        *before, query = (fill(message, where) for message in grammar.fetch)
        for message in before:
            self._link.write(message)
        if grammar.block == "none" and form.samples == "ascii":
            return self._link.ask_samples(query, timeout=self.patience)
        if grammar.block == "none":
            return self._link.ask_bytes(query, count * sample_type(form).itemsize, timeout=self.patience)
        return self._link.ask_block(query, timeout=self.patience, silence=grammar.silence, newline=grammar.newline)

    def _axes(self, one: InputSetup, form: SampleFormat, data: Bytes, used: SettingsInUse) -> Axes:
        scale = self._profile.grammar.waveform.scale
        low, high = used.range_of(one)
        from_settings = axes_from_settings(
            scale, form, range=high - low, offset=(high + low) / 2, interval=used.interval, start=used.start
        )
        with self._link.naming("reading the scale"):
            axes = told_axes(
                scale,
                from_settings,
                ask=self._ask_scale,
                data=data,
                fill=lambda template: fill(template, {"input": one.input}),
            )
        self._scale.check(axes, one.input, where=self._link.where)
        return axes

    def _ask_scale(self, queries: Sequence[str]) -> list[str]:
        """The answers; each in a message of its own until they have been seen to come in the order of the queries."""
        return self._link.ask_each([QueryUnit(query, str) for query in queries], together=self._link.keeps_order)

    def _check_length(self, codes: Codes, name: str, used: SettingsInUse) -> None:
        if used.knows_points and codes.size != used.points:
            raise BadAnswer(
                f"{codes.size} samples came for `{name}`", where=self._link.where, expected=f"{used.points}"
            )
