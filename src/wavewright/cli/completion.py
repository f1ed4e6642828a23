"""What a shell completes: names of metrics, buses, layers and topics."""

from __future__ import annotations

from collections.abc import Iterable


def complete_metric(incomplete: str) -> list[str]:
    """Metrics of waveforms that begin so."""
    from wavewright.analysis.catalogue import metrics

    return _beginning(metrics(), incomplete)


def complete_metric_of_any(incomplete: str) -> list[str]:
    """Metrics of waveforms and of decoded lines that begin so."""
    from wavewright.analysis.catalogue import metrics
    from wavewright.buses.frame_metrics import frame_metrics

    return _beginning([*metrics(), *frame_metrics()], incomplete)


def complete_bus(incomplete: str) -> list[str]:
    """Buses that begin so."""
    from wavewright.buses.catalogue import buses

    return _beginning(buses(), incomplete)


def complete_layer(incomplete: str) -> list[str]:
    """Layers that begin so."""
    from wavewright.buses.catalogue import layers

    return _beginning(layers(), incomplete)


def complete_bus_or_layer(incomplete: str) -> list[str]:
    """Buses and layers that begin so."""
    return complete_bus(incomplete) + complete_layer(incomplete)


def complete_topic(incomplete: str) -> list[str]:
    """Topics of the reference that begin so."""
    from wavewright.cli.reference import whole_reference

    return _beginning((topic.name for topic in whole_reference().topics), incomplete)


def _beginning(names: Iterable[str], incomplete: str) -> list[str]:
    return sorted({name for name in names if name.startswith(incomplete)})
