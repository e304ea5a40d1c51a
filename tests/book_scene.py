"""A pair on the bench, its gauges and one step, as the tests of the book type them."""

USUAL = """\
gauges.sph = { kind = "spherometer", foot_circle = "80 mm", resolution = "0.1 um", repeatability = "0.05 um" }
gauges.tw = { kind = "twist gauge", foot_circle = "120 mm", resolution = "0.1 um", repeatability = "0.05 um" }
"""
FINE = """\
gauges.sph = { kind = "spherometer", foot_circle = "110 mm", resolution = "0.05 um", repeatability = "20 nm" }
gauges.tw = { kind = "twist gauge", foot_circle = "120 mm", resolution = "0.05 um", repeatability = "20 nm" }
"""
TURNED = 'time = "8 min"\nturn = "8 deg per stroke"\n'
STEADY = f'{TURNED}hand = "steady"\n'


def pair_read(a: str, gauges: str, step: str = STEADY, b: str = 'like = "A"') -> str:
    """Two plates of 160 mm, with what is said of A beside its outline, and of B; the end of the step."""
    return f"""
plates.A = {{ disc = "160 mm", thickness = "30 mm"{a} }}
plates.B = {{ {b} }}
{gauges}[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
{step}"""
