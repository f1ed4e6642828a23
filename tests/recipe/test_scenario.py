"""The whole scenario in one recipe: everything that the grammar has, on the valve controller VC-204."""

from __future__ import annotations

from wavewright.analysis.parameters import Slope
from wavewright.grammar.quantity_fields import StatedQuantity
from wavewright.judgement.limits import Limit
from wavewright.recipe.acquisition import Coupling, TriggerMode
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.stimulus import StimulusStep, SupplyStep, Switch
from wavewright.running.selection import roles_of

END_OF_LINE = r"""
wavewright: 1                       # grammar version
title: VC-204 end-of-line check
cautions:
  - The coil terminals fly back to 60 V at switch-off. Keep the cover closed while the run is on.
part: VC-204
needs: {digitizer: {inputs: 2, bandwidth: 50 MHz}, supply: {}}
parameters:
  duty: {default: 40 %, about: coil drive set by the controller}

measurements:
  rail_noise:
    place: Probe 1 on TP3 with the short ground spring.
    channels:
      rail: {input: 1, coupling: ac, range: 100 mV, offset: 0 V, probe: 1x, bandwidth_limit: 20 MHz}
    timebase: {span: 2 ms, rate: 25 MHz}
    trigger: {mode: auto, on: rail, edge: rising, level: 0 V}
    shots: 16
    compute:
      ripple: {metric: peak_to_peak, of: rail, limit: at most 40 mV, over: max}
      ripple_tone: {metric: strongest_tone, of: rail, limit: 340 kHz ± 5 %}

  reset_hold:
    place: Probe 1 on TP3, probe 2 on TP9.
    channels:
      rail:  {input: 1, range: 8 V, offset: 2 V}
      reset: {input: 2, range: 8 V, offset: 2 V}
    timebase: {span: 8 ms, before_trigger: 1 ms, points: 80k}
    trigger: {mode: normal, on: reset, edge: falling, level: 1.65 V, timeout: 5 s}
    stimulus:
      - {supply: {output: off}, then_wait: 200 ms}
      - {supply: {voltage: 24 V, current_limit: 1 A, output: on}}
    shots: 5
    compute:
      reset_low: {metric: time_between, of: reset, from: falling 0.99 V, to: rising 2.31 V, limit: 1.6 ms .. 3.2 ms, over: each}

  coil_drive:
    channels: {drive: {input: 1, range: auto}}
    timebase: {cycles: 20}                      # auto time base: finds the period first
    trigger: {mode: auto, on: drive, edge: rising, level: auto}
    for_each: {duty: [10 %, 40 %, 90 %]}
    stimulus: [{source: {function: pulse, frequency: 1.25 kHz, duty_factor: $duty}}]
    compute:
      duty_factor: {of: drive, limit: $duty ± 1 pp}     # the entry's name is the metric's name unless `metric:` says otherwise
      overshoot: {of: drive, limit: at most 8 %}
    persistence: {of: drive}
  telegram:
    channels: {tx: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 40 ms, rate: 2 MHz}
    trigger: {mode: normal, on: tx, edge: falling, level: 1.65 V}
    decode: {line: {bus: uart, tx: tx, baud: 19200, parity: even, then: modbus_rtu}}
    keep_if: {line: {holds: "11 03"}, within: 20 shots}   # a serial trigger in software, on any instrument
    compute:
      telegram_errors: {metric: frame_errors, of: line, limit: exactly 0}
"""  # noqa: E501  # the lines of the scenario as they stand


def test_the_scenario_loads_as_it_stands() -> None:
    recipe = parse_recipe(END_OF_LINE, "end_of_line.yaml")
    assert [measurement.label for measurement in recipe] == [
        "rail_noise",
        "reset_hold",
        "coil_drive[duty=10 %]",
        "coil_drive[duty=40 %]",
        "coil_drive[duty=90 %]",
        "telegram",
    ]
    assert recipe.cautions == (
        "The coil terminals fly back to 60 V at switch-off. Keep the cover closed while the run is on.",
    )
    assert set(roles_of(recipe)) == {"digitizer", "supply", "source"}
    limits = {
        f"{measurement.label}.{name}": str(entry.limit)
        for measurement in recipe
        for name, entry in measurement.compute.items()
    }
    assert limits == {
        "rail_noise.ripple": "at most 40 mV",
        "rail_noise.ripple_tone": "340 kHz ± 5 %",
        "reset_hold.reset_low": "1.6 ms .. 3.2 ms",
        "coil_drive[duty=10 %].duty_factor": "10 % ± 1 pp",
        "coil_drive[duty=10 %].overshoot": "at most 8 %",
        "coil_drive[duty=40 %].duty_factor": "40 % ± 1 pp",
        "coil_drive[duty=40 %].overshoot": "at most 8 %",
        "coil_drive[duty=90 %].duty_factor": "90 % ± 1 pp",
        "coil_drive[duty=90 %].overshoot": "at most 8 %",
        "telegram.telegram_errors": "exactly 0",
    }


def test_the_reset_is_measured_from_switch_on() -> None:
    (reset_hold,) = parse_recipe(END_OF_LINE, "end_of_line.yaml")["reset_hold"]
    assert reset_hold.stimulus == (
        StimulusStep(supply=SupplyStep(output=Switch.OFF), then_wait=StatedQuantity(0.2, "s", "200 ms")),
        StimulusStep(
            supply=SupplyStep(
                voltage=StatedQuantity(24.0, "V", "24 V"),
                current_limit=StatedQuantity(1.0, "A", "1 A"),
                output=Switch.ON,
            )
        ),
    )
    trigger = reset_hold.trigger
    assert (trigger.mode, trigger.on, trigger.edge) == (TriggerMode.NORMAL, "reset", Slope.FALLING)
    assert (trigger.level, trigger.timeout) == (StatedQuantity(1.65, "V", "1.65 V"), StatedQuantity(5.0, "s", "5 s"))
    assert reset_hold.channels["reset"].coupling is Coupling.DC
    assert reset_hold.timebase.before_trigger == StatedQuantity(1e-3, "s", "1 ms")
    reset_low = reset_hold.compute["reset_low"]
    assert reset_low.options == {"from": "falling 0.99 V", "to": "rising 2.31 V"}
    assert (reset_low.over, reset_low.limit) == ("each", Limit.read("1.6 ms .. 3.2 ms", unit="s"))
