"""A bench file whose instruments are one port, on which nobody answers: for what happens before the first answer."""

BENCH = """
wavewright-bench: 1
about: nobody answers here
library: "@py"
simulated: true
instruments:
  digitizer: {{resource: "TCPIP0::127.0.0.1::{port}::SOCKET", profile: scpi-digitizer}}
  supply: {{resource: "TCPIP0::127.0.0.1::{port}::SOCKET", profile: scpi-supply}}
  source: {{resource: "TCPIP0::127.0.0.1::{port}::SOCKET", profile: scpi-source}}
probes:
  1: {{attenuation: 10, capacitance: 12 pF, bandwidth: 200 MHz, at_1x: {{capacitance: 60 pF, bandwidth: 30 MHz}}}}
  2: {{attenuation: 10, capacitance: 12 pF, bandwidth: 200 MHz}}
"""
