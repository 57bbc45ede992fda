"""Texts of files that several tests read."""

TYPE_TEXT = """
[type]
name = "hf30"
title = "30 dB sampler, 160 m to 6 m"
recheck_months = 12

[build]
turns = 32
core = "FT-50-43"
wire_awg = 24
line = "RG-303"
termination = "external"
line_connectors = "UHF"
sample_connector = "BNC"

[band]
low = "1.8 MHz"
high = "54 MHz"

[use]
line_power = "1500 W"
line_swr = 1.5

[tolerance]
coupling = "30 dB"
coupling_error = "1 dB"
flatness = "0.5 dB"
return_loss = "25 dB"
insertion_loss = "0.1 dB"
"""

BENCH_TEXT = """
[bench]
name = "test-bench"

[analyser]
address = "simulated://tcp"
dialect = "plain-serial"
paths = "one-path"
connector = "BNC"

[sweep]
low = "1 MHz"
high = "100 MHz"
points = 201
point_time = "1 ms"

[simulated]
seed = 7

[[adapters]]
cable = "BNC"
unit = "UHF"
delay = "60 ps"
"""
