"""The physics of the sampler: circuit, core, materials, closed forms. Pure: no file, clock or device is touched here.

Start with ``nominal_circuit`` (build facts → circuit), ``SamplerCircuit`` (which field is which fault) and ``three_port``
(circuit → S-matrix). The closed forms stand in ``closed_form``, the tables' parsers in ``tables``.
"""

from harness.sampler.build import built_circuit, nominal_circuit, pi_pad
from harness.sampler.circuit import LineSection, Mismatch, Pad, SamplerCircuit, ideal_circuit
from harness.sampler.core import Core, CoreGeometry, IdealCore, InductanceCore, LadderCore, ToroidCore
from harness.sampler.material import ConstantMaterial, CoreMaterial, Material, RelaxationMaterial, ResonanceMaterial
from harness.sampler.network import three_port, three_ports
from harness.sampler.tables import (
    Cable,
    CoreSize,
    MaterialEntry,
    Source,
    Sourced,
    WireSize,
    find_core,
    parse_cables,
    parse_cores,
    parse_materials,
    parse_wires,
)

__all__ = [
    "Cable",
    "ConstantMaterial",
    "Core",
    "CoreGeometry",
    "CoreMaterial",
    "CoreSize",
    "IdealCore",
    "InductanceCore",
    "LadderCore",
    "LineSection",
    "Material",
    "MaterialEntry",
    "Mismatch",
    "Pad",
    "RelaxationMaterial",
    "ResonanceMaterial",
    "SamplerCircuit",
    "Source",
    "Sourced",
    "ToroidCore",
    "WireSize",
    "built_circuit",
    "find_core",
    "ideal_circuit",
    "nominal_circuit",
    "parse_cables",
    "parse_cores",
    "parse_materials",
    "parse_wires",
    "pi_pad",
    "three_port",
    "three_ports",
]
