"""What accounting, time axes and merging may use a field for: whether its role and the role's details fit it."""

from __future__ import annotations

from packetkit.layout.noting import Note, at, bits_text
from packetkit.layout.slots import Linear, Role, Slot
from packetkit.schema.model import Field
from packetkit.schema.words import whole


def role_of(one: Field, slot: Slot, note: Note) -> Role | bool | None:
    """The role with its details; None without one; False where they do not fit."""
    details = {"modulus": ("sequence", "boot"), "tick_s": ("clock",), "epoch": ("clock",)}
    good = True
    for key, roles in details.items():
        if getattr(one, key) is not None and one.role not in roles:
            belongs = " or ".join(f"role: {role}" for role in roles)
            has = f"role: {one.role}" if one.role else "no role"
            text = f"{key} goes with {belongs}, and this field has {has}"
            note(at(one, key), "role-unfit", text, f"Write {belongs}, or leave {key} out.")
            good = False
    if one.role is None or not good:
        return None if good else False
    modulus = one.modulus
    if one.role in ("sequence", "boot"):
        limit = 1 << slot.width
        is_plain = (
            isinstance(slot.transform, Linear)
            and slot.transform.is_identity
            and not slot.signed
            and not slot.coding
        )
        if not is_plain or one.kind != "number":
            text = f"a {one.role} counter is an unsigned whole number without scale or coding"
            note(at(one, "role"), "role-unfit", text, "Write bits alone: {bits: 8, role: " + one.role + "}.")
            return False
        if modulus is not None and not 2 <= modulus <= limit:
            text = f"a counter of {bits_text(slot.width)} cannot wrap at {whole(modulus)}"
            note(at(one, "modulus"), "modulus-unfit", text, f"Use 2 to {limit}, or more bits.")
            return False
        modulus = modulus or limit
    return Role(one.role, modulus, one.tick_s, one.epoch)
