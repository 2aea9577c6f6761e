"""The messages by which a module answers: its identity, and a block of its values."""

from __future__ import annotations

from knobwright.core.codec.dumps import parameters_in, put_in
from knobwright.core.codec.plan import Codec
from knobwright.core.codec.settings import condition_holds
from knobwright.core.errors import EncodeError
from knobwright.core.interfaces import Lookup
from knobwright.core.sheet.records import Block, Parameter


def identity_reply(codec: Codec) -> bytes:
    """Return the identity reply of the sheet's module: 15 bytes, or 17 with a three-byte maker id.

    ``F0 7E device 06 02 maker family member version F7``: MIDI 1.0 Detailed Specification 4.2.1,
    page 40. The sheet gives family and member in the order in which they are sent.

    Raises
    ------
    EncodeError
        The sheet lacks one of the four: a made-up identity would be a wrong one.
    """
    module = codec.sheet.module
    for name in ("maker_id", "family", "member", "version"):
        if not getattr(module, name):
            raise EncodeError(
                f"the sheet gives no {name}, so there is no identity to answer with",
                hint=f"add {name} to [module]",
            )
    head = bytes((0xF0, 0x7E, codec.device, 0x06, 0x02))
    return head + module.maker_id + module.family + module.member + module.version + b"\xf7"


def block_reply(
    codec: Codec, block: Block, current: Lookup, channel: int | None
) -> tuple[bytes, ...]:
    """Return the dump of a block, made from the values held now.

    Parameters
    ----------
    codec : Codec
        The sheet's codec.
    block : Block
        Which dump.
    current : Lookup
        Gives the values.
    channel : int, 1 to 16, optional
        Which channel's values, for parameters per channel.

    Notes
    -----
    Places of values that are not known, of parameters per key, and of parameters per channel where
    the request names none, are 00. Where several parameters share a place, the one whose condition
    holds is sent.

    Raises
    ------
    EncodeError
        The sheet tells neither the size nor a value in the block, or a byte can't be carried.
    """
    parameters = list(parameters_in(codec.sheet, block))
    n_bytes = block.size
    if n_bytes is None:
        n_bytes = max((at.byte + 1 for p in parameters for at in p.at), default=0)
    if n_bytes == 0:
        raise EncodeError(f"the sheet does not say what is in the block {block.key}")
    data = bytearray(n_bytes)
    shared = shared_places(parameters)
    for parameter in parameters:
        at = channel if "channel" in parameter.per else None
        if "key" in parameter.per or ("channel" in parameter.per and at is None):
            continue
        holds = condition_holds(parameter, at, None, current, codec.parameters)
        if parameter.key in shared and holds is not True:
            continue
        raw = current(parameter.key, at, None)
        if isinstance(raw, int | str | tuple):
            put_in(parameter, raw, data)
    return codec.dump(block, bytes(data), channel or 1)


def shared_places(parameters: list[Parameter]) -> frozenset[str]:
    """Return the keys of parameters that stand in the same bits of a block as another."""
    owners: dict[tuple[int, int], list[str]] = {}
    for parameter in parameters:
        for at in parameter.at:
            for bit in range(at.low, at.high + 1):
                owners.setdefault((at.byte, bit), []).append(parameter.key)
    return frozenset(key for keys in owners.values() if len(keys) > 1 for key in keys)
