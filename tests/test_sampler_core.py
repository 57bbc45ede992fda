"""Cores, materials and their tables."""

from importlib.resources import files

import numpy as np
import pytest

from harness.errors import FileError, UsageError
from harness.sampler import (
    ConstantMaterial,
    CoreGeometry,
    CoreMaterial,
    IdealCore,
    InductanceCore,
    LadderCore,
    RelaxationMaterial,
    ResonanceMaterial,
    ToroidCore,
    find_core,
    parse_cables,
    parse_cores,
    parse_materials,
    parse_wires,
)


def shipped(name):
    """Return the text of a table of the package."""
    return files("harness.data").joinpath(name).read_text(encoding="utf-8")


CORES = parse_cores(shipped("cores.toml"))
MATERIALS = parse_materials(shipped("materials.toml"))

# Worked out outside the program by the toroid formulas of IEC 60205 from the trade's inch sizes:
# l_e mm, A_e mm², A_L nH for μ_i 800, 850, 950.
GEOMETRY = {
    "FT-37": (20.71, 7.28, 353.5, 375.6, 419.8),
    "FT-50": (29.50, 12.92, 440.3, 467.8, 522.9),
    "FT-50A": (31.23, 14.88, 479.2, 509.1, 569.0),
    "FT-50B": (31.23, 29.77, 958.3, 1018.2, 1138),
    "FT-82": (51.80, 24.16, 468.9, 498.2, 556.8),
    "FT-114": (73.31, 36.76, 504.1, 535.6, 598.6),
    "FT-140": (88.85, 79.35, 897.8, 953.9, 1066),
    "FT-240": (144.51, 157.44, 1095, 1164, 1301),
}

# Outer, inner diameter and height in mm, as catalogues round them.
ROUNDED = {
    "FT-37": (9.53, 4.75, 3.18),
    "FT-50": (12.70, 7.14, 4.78),
    "FT-50A": (12.70, 7.92, 6.35),
    "FT-50B": (12.70, 7.92, 12.70),
    "FT-82": (20.96, 13.21, 6.35),
    "FT-114": (29.01, 19.05, 7.49),
    "FT-140": (35.56, 22.86, 12.70),
    "FT-240": (60.96, 35.56, 12.70),
}

# Published A_L for material 43, nH; publishers assume different μ_i.
PUBLISHED = {
    "FT-37": (350, 375, 420),
    "FT-50": (440, 470, 523),
    "FT-50A": (510, 570),
    "FT-50B": (1025, 1140),
    "FT-82": (500, 557),
    "FT-114": (540, 603),
    "FT-140": (885, 952),
    "FT-240": (1075, 1160, 1240),
}


def test_geometry_table_is_complete():
    assert {name for name, size in CORES.items() if size.geometry is not None} == set(GEOMETRY)


@pytest.mark.parametrize("name", GEOMETRY)
def test_geometry_by_iec_60205(name):
    geometry = CORES[name].geometry
    length, area, *factors = GEOMETRY[name]
    assert geometry.effective_length * 1e3 == pytest.approx(length, abs=0.0051)
    assert geometry.effective_area * 1e6 == pytest.approx(area, abs=0.0051)
    for initial, factor in zip((800, 850, 950), factors, strict=True):
        digits = 0.51 if factor == int(factor) else 0.11  # as many digits as the table gives
        assert geometry.inductance_factor(initial) * 1e9 == pytest.approx(factor, abs=digits)


@pytest.mark.parametrize("name", ROUNDED)
def test_inch_sizes_are_the_rounded_millimetres(name):
    geometry = CORES[name].geometry
    found = (geometry.outer_diameter, geometry.inner_diameter, geometry.height)
    np.testing.assert_allclose(np.array(found) * 1e3, ROUNDED[name], rtol=0, atol=0.0051)


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_a_l_is_stored_as_published_and_near_the_computed(name):
    stored = [stated.value * 1e9 for stated in CORES[name].published_a_l["43"]]
    assert stored == pytest.approx(PUBLISHED[name])
    for value in stored:
        assert value == pytest.approx(CORES[name].geometry.inductance_factor(850) * 1e9, rel=0.25)


def test_a_l_in_the_trade_s_units():
    # A_L = 0.2·μ_i·h[mm]·ln(OD/ID) nH, the same formula as amateur guides write it.
    geometry = CoreGeometry(outer_diameter=12.7e-3, inner_diameter=7.14e-3, height=4.78e-3)
    expected = 0.2 * 800 * 4.78 * np.log(12.7 / 7.14)
    assert geometry.inductance_factor(800) * 1e9 == pytest.approx(expected, rel=1e-9)


def test_stack_is_a_higher_core():
    # FT-50B is twice the height of FT-50A.
    twice, high = CORES["FT-50A"].geometry.stacked(2), CORES["FT-50B"].geometry
    assert (twice.outer_diameter, twice.height) == pytest.approx((high.outer_diameter, high.height))
    with pytest.raises(UsageError, match="stack: 0 cores"):
        find_core("FT-50-43", CORES, MATERIALS, stack=0)


# Manufacturer's file for material 43 of November 2020, quoted by a secondary source: MHz, μ′, μ″.
FILE_2020 = ((1.0, 851, 48), (3.5, 708, 418), (7.0, 394, 394), (14.0, 226, 293), (28.0, 127, 211))


def test_table_gives_back_its_rows():
    material = MATERIALS["43"].material
    rows = np.array(FILE_2020)
    np.testing.assert_allclose(material.permeability(rows[:, 0] * 1e6), rows[:, 1] - 1j * rows[:, 2], rtol=1e-12)


def test_one_turn_impedance_is_the_formula():
    core = find_core("FT-50-43", CORES, MATERIALS)
    expected = 2j * np.pi * 7e6 * (core.a_l / 800) * (394 - 394j)
    np.testing.assert_allclose(core.impedance(np.array([7e6])), [expected], rtol=1e-12)
    np.testing.assert_allclose(core.admittance(np.array([7e6])), [1 / expected], rtol=1e-12)


POWER_LAW = CoreMaterial(
    name="test",
    initial_permeability=900.0,
    table=tuple((f, 800.0 * (f / 1e6) ** -0.75, 30.0 * (f / 1e6) ** 0.5) for f in (1e6, 3e6, 2e7)),
)


def test_a_power_law_is_interpolated_and_continued_exactly():
    frequency = np.geomspace(1e6, 2e8, 25)
    expected = 800.0 * (frequency / 1e6) ** -0.75 - 30j * (frequency / 1e6) ** 0.5
    np.testing.assert_allclose(POWER_LAW.permeability(frequency), expected, rtol=1e-12)


def test_below_the_table_storage_is_held_and_loss_falls_with_frequency():
    np.testing.assert_allclose(POWER_LAW.permeability(np.array([1e5, 1e4])), [800 - 3j, 800 - 0.3j], rtol=1e-12)


def test_what_the_table_does_not_cover_is_said():
    assert POWER_LAW.covered == (1e6, 2e7)
    assert POWER_LAW.outside(np.array([0.99e6, 1e6, 5e6, 2e7, 2.01e7])).tolist() == [True, False, False, False, True]


def test_relaxation_is_a_ladder_of_one_cell():
    # A Debye material less the 1 of free space is L parallel R = 2πf_r·L: the network a circuit solver would build.
    frequency = np.geomspace(1e4, 1e9, 31)
    geometry = CORES["FT-50"].geometry
    material = RelaxationMaterial(name="test", initial_permeability=1200.0, relaxation_frequency=3e6)
    inductance = geometry.inductance_factor(1199.0)
    ladder = LadderCore(cells=((2 * np.pi * 3e6 * inductance, inductance),))
    free_space = 2j * np.pi * frequency * geometry.inductance_factor(1.0)
    core = ToroidCore(geometry=geometry, material=material)
    np.testing.assert_allclose(core.impedance(frequency) - free_space, 1 / ladder.admittance(frequency), rtol=1e-9)


def test_resonance_at_its_centre_and_far_above():
    material = ResonanceMaterial(name="test", initial_permeability=126.0, resonance_frequency=50e6, quality=0.8)
    centre, low, high = material.permeability(np.array([50e6, 1.0, 50e12]))
    assert centre == pytest.approx(1 - 125j * 0.8)
    assert low == pytest.approx(126, rel=1e-6)
    assert high == pytest.approx(1, rel=1e-6)


@pytest.mark.parametrize("name", MATERIALS)
def test_every_material_is_passive(name):
    assert (MATERIALS[name].material.permeability(np.geomspace(1e3, 1e9, 61)).imag <= 0).all()


def test_simple_cores():
    frequency = np.array([1e6, 1e7])
    assert not IdealCore().admittance(frequency).any()
    core = InductanceCore(inductance=1e-6)
    np.testing.assert_allclose(1 / core.admittance(frequency), 2j * np.pi * frequency * 1e-6)
    flat = ToroidCore(
        geometry=CORES["FT-37"].geometry,
        material=ConstantMaterial(name="test", initial_permeability=800),
        published_a_l=350e-9,
    )
    np.testing.assert_allclose(flat.impedance(frequency), 2j * np.pi * frequency * 350e-9)


def test_iron_powder_has_only_its_a_l():
    # T-50-2: 4.9 nH for one turn squared (manufacturer).
    core = find_core("T-50-2", CORES, MATERIALS, stack=2)
    assert isinstance(core, InductanceCore)
    assert core.inductance == pytest.approx(9.8e-9)
    assert core.area is None


def test_names_with_hyphens_and_letters_are_found():
    core = find_core("FT-50A-generic-2000", CORES, MATERIALS)
    assert core.geometry == CORES["FT-50A"].geometry
    assert core.material.initial_permeability == 2000
    assert MATERIALS["generic-2000"].generic
    assert not MATERIALS["43"].generic


@pytest.mark.parametrize("name", ["FT-50", "FT-50-99", "43", "FT-51-43", "T-50-43", ""])
def test_unknown_core_lists_the_known(name):
    with pytest.raises(UsageError, match="not in the tables") as caught:
        find_core(name, CORES, MATERIALS)
    assert "FT-50A" in caught.value.hint


# Heavy build, nominal overall mm, NEMA MW 1000 (quoted by a secondary source).
HEAVY = {16: 1.369, 18: 1.095, 20: 0.879, 22: 0.701, 23: 0.632, 24: 0.565, 25: 0.505, 26: 0.452, 27: 0.408, 28: 0.366,
         29: 0.330, 30: 0.295}  # fmt: skip


def test_wire_table():
    wires = parse_wires(shipped("wires.toml"))
    assert {awg: wire.overall_diameter.value * 1e3 for awg, wire in wires.items()} == pytest.approx(HEAVY)
    for wire in wires.values():
        # Enamel adds something, and less than a quarter, to the copper of ASTM B258.
        assert 1.0 < wire.overall_diameter.value / wire.bare_diameter < 1.25


def test_cable_table():
    cables = parse_cables(shipped("cables.toml"))
    # RG-303: 8.8 dB/100 m at 50 MHz, so 50 mm are 0.0044 dB (manufacturer).
    line = cables["RG-303"].line(0.05)
    assert line.loss_frequency == pytest.approx(50e6)
    assert line.loss_db_per_m * line.length == pytest.approx(0.0044)
    assert cables["RG-58"].line(0.05).loss_db_per_m == 0.0
    assert cables["RG-58"].working_voltage.value == 1400
    assert cables["RG-213"].working_voltage.value == 3700
    assert cables["RG-303"].velocity_factor.source.memory
    assert not cables["RG-316"].velocity_factor.source.memory


def test_every_value_of_every_table_says_where_it_comes_from():
    sources = [stated.source for size in CORES.values() for row in size.published_a_l.values() for stated in row]
    sources += [size.geometry_source for size in CORES.values() if size.geometry_source is not None]
    sources += [entry.source for entry in MATERIALS.values()]
    assert all(source.text and source.date for source in sources)


SIZE = '[sources.a]\ntext = "t"\ndate = "2026"\n[[core]]\nname = "X"\nouter_in = {value = 1.0, source = "a"}\n'


@pytest.mark.parametrize(
    ("parse", "text"),
    [
        (parse_cores, "core = ["),
        (parse_cores, SIZE),
        (parse_cores, SIZE + 'inner_in = {value = 2.0, source = "a"}\nheight_in = {value = 1.0, source = "a"}\n'),
        (parse_cores, SIZE + 'inner_in = {value = 0.5, source = "b"}\nheight_in = {value = 1.0, source = "b"}\nx = 1\n'),
        (parse_cores, SIZE + 'published_a_l_nh.43 = [{value = 400, source = "nowhere"}]\n'),
        (parse_cores, SIZE.replace("1.0", "-1.0")),
        (parse_cores, SIZE.replace("1.0", "nan")),
        (parse_materials, '[sources]\n[[material]]\nname = "x"\nmodel = "table"\n'),
        (parse_wires, "wire = 3"),
        (parse_cables, ""),
    ],
)
def test_bad_tables_are_refused(parse, text):
    with pytest.raises(FileError):
        parse(text)


MATERIAL = '[sources.a]\ntext = "t"\ndate = "2026"\n[[material]]\nname = "x"\ninitial_permeability = {value = 10, source = "a"}\n'


@pytest.mark.parametrize(
    "more",
    [
        'model = "table"\n',
        'model = "relaxation"\n',
        'model = "resonance"\nresonance_mhz = {value = 3, source = "a"}\n',
        'model = "table"\ntable = {value = [[1, 10, 1]], source = "a"}\n',
        'model = "table"\ntable = {value = [[2, 10, 1], [1, 10, 1]], source = "a"}\n',
        'model = "table"\ntable = {value = [[1, 10, 0], [2, 10, 1]], source = "a"}\n',
    ],
)
def test_bad_materials_are_refused(more):
    with pytest.raises(FileError):
        parse_materials(MATERIAL + more)


@pytest.mark.parametrize(
    "make",
    [
        lambda: CoreGeometry(outer_diameter=5e-3, inner_diameter=6e-3, height=3e-3),
        lambda: CoreGeometry(outer_diameter=5e-3, inner_diameter=0.0, height=3e-3),
        lambda: CoreGeometry(outer_diameter=float("inf"), inner_diameter=1e-3, height=3e-3),
        lambda: InductanceCore(inductance=0.0),
        lambda: LadderCore(cells=()),
        lambda: LadderCore(cells=((0.0, 1e-9),)),
        lambda: ConstantMaterial(name="x", initial_permeability=0.5),
        lambda: RelaxationMaterial(name="x", initial_permeability=10, relaxation_frequency=0.0),
        lambda: ResonanceMaterial(name="x", initial_permeability=10, resonance_frequency=1e6, quality=0.0),
        lambda: CORES["FT-50"].geometry.stacked(0),
    ],
)
def test_impossible_cores_are_refused(make):
    with pytest.raises(UsageError):
        make()
