"""Doors from Python to what otherwise only kernels call."""

from lapwright.contact import cells, equilibrium, lay
from lapwright.contact.compile import kernel


@kernel
def gather(own, other, cx, cy, cos, sin, origin_x, origin_y, radius, rows):
    """One face laid over the cells of the other."""
    return lay.gather(own, other, cx, cy, cos, sin, origin_x, origin_y, radius, rows)


@kernel
def gather_bits(fine, at_x, at_y, fu, fv):
    """Sub-cells looked up one by one."""
    return cells.gather_bits(fine, at_x, at_y, fu, fv)


@kernel
def shifted_bits(fine, at_x, at_y):
    """Sub-cells taken from the four cells that are met."""
    return cells.shifted_bits(fine, at_x, at_y)


@kernel
def bearing_sums(gap, share, used, first, count, row_xi, row_eta, step, q, least, sums):
    """Force, moments and Hessian sums at a plane."""
    equilibrium.bearing_sums(gap, share, used, first, count, row_xi, row_eta, step, q, least, sums)


@kernel
def settle(gap, share, used, first, count, row_xi, row_eta, step, target, warm, report, work):
    """The plane at which force and moments balance."""
    return equilibrium.settle(
        gap, share, used, first, count, row_xi, row_eta, step, target, warm, report, work
    )
