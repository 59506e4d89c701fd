"""What a coded picture's own first bytes say of it, without decoding it."""

from __future__ import annotations

_SLICES = range(1, 6)  # kinds of H.264 units that hold a part of a picture (ITU-T H.264, table 7-1)


def length_bytes(extradata: bytes | None) -> int:
    """How many bytes tell the length of each unit of an H.264 stream in MP4, MOV or MKV (its avcC record, ISO/IEC
    14496-15); 0 for a stream whose units are parted otherwise."""
    return (extradata[4] & 3) + 1 if extradata and len(extradata) > 4 and extradata[0] == 1 else 0


def nothing_builds_on(packet: memoryview, length_bytes: int) -> bool:
    """Whether an H.264 picture says that no other one is coded as a change to it (nal_ref_idc is 0; ITU-T H.264,
    7.4.1). False when it does not say."""
    at, spare = 0, False
    while at + length_bytes < len(packet):
        length = int.from_bytes(packet[at:at + length_bytes], "big")
        first = packet[at + length_bytes]
        if first & 31 in _SLICES:
            if first >> 5 & 3:
                return False
            spare = True
        at += length_bytes + length
    return spare
