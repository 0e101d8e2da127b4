#!/usr/bin/env python3
"""Makes the capture fixtures of this folder from frames.bin with scapy 2.8 (pip install scapy).

    python3 make.py

frames.bin holds 60 frames written by the Rust crate `mavlink` (FETTLE_WRITE_FRAMES=1 cargo test --test capture).
Packets, checksums, fragments and the files are scapy's, except the pcapng files named ng-*, whose blocks scapy
cannot write: they are put together below after the format's document (draft-ietf-opsawg-pcapng) and read back
with scapy's reader.
"""

import pathlib
import struct

from scapy.layers.inet import ICMP, IP, TCP, UDP, fragment
from scapy.layers.inet6 import IPv6, IPv6ExtHdrDestOpt, IPv6ExtHdrFragment, IPv6ExtHdrHopByHop, fragment6
from scapy.layers.l2 import ARP, CookedLinux, CookedLinuxV2, Dot1AD, Dot1Q, Ether, Loopback
from scapy.packet import Raw
from scapy.utils import EDecimal, PcapNgWriter, PcapWriter, rdpcap

HERE = pathlib.Path(__file__).parent
START_US, STEP_US = 1_789_000_000_123_456, 10_007


def split(data):
    """The frames of a clean stream of version 1 and unsigned version 2 frames."""
    frames = []
    while data:
        size = data[1] + (8 if data[0] == 0xFE else 12)
        frames.append(data[:size])
        data = data[size:]
    return frames


FRAMES = split((HERE / "frames.bin").read_bytes())
assert len(FRAMES) == 60
STREAM = b"".join(FRAMES)


def ether():
    return Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02")


def ip4(**more):
    return IP(src="10.0.0.1", dst="10.0.0.2", **more)


def ip6():
    return IPv6(src="fd00::1", dst="fd00::2")


def udp():
    return UDP(sport=14555, dport=14550)


def at(index):
    return START_US + index * STEP_US


def save(name, packets, link=1, endianness="<", nano=False, snap=65535, times=None):
    writer = PcapWriter(str(HERE / name), linktype=link, endianness=endianness, nano=nano, snaplen=snap)
    writer.write_header(None)
    for index, packet in enumerate(packets):
        whole = bytes(packet)
        us = times[index] if times else at(index)
        unit = 1000 if nano else 1
        writer.write_packet(
            whole[:snap], sec=us // 1_000_000, usec=us % 1_000_000 * unit, caplen=min(len(whole), snap), wirelen=len(whole)
        )
    writer.close()
    if link == 0:  # which the writer takes for "not given"
        data = bytearray((HERE / name).read_bytes())
        data[20:24] = bytes(4)
        (HERE / name).write_bytes(data)
    assert len(rdpcap(str(HERE / name))) == len(packets), name


plain = [ether() / ip4() / udp() / Raw(frame) for frame in FRAMES]
save("udp-le-us.pcap", plain)
save("udp-be-us.pcap", plain, endianness=">")
save("udp-le-ns.pcap", plain, nano=True)
save("udp-be-ns.pcap", plain, endianness=">", nano=True)

# Link types.
save("raw-v4.pcap", [ip4() / udp() / Raw(frame) for frame in FRAMES], link=101)
save("null.pcap", [Loopback(type=2) / ip4() / udp() / Raw(frame) for frame in FRAMES], link=0)
save("null-be.pcap", [struct.pack(">I", 2) + bytes(ip4() / udp() / Raw(frame)) for frame in FRAMES], link=0, endianness=">")
save("loop.pcap", [struct.pack(">I", 30) + bytes(ip6() / udp() / Raw(frame)) for frame in FRAMES], link=108)
save("cooked.pcap", [CookedLinux(proto=0x0800) / ip4() / udp() / Raw(frame) for frame in FRAMES], link=113)
save("cooked-2.pcap", [CookedLinuxV2(proto=0x86DD) / ip6() / udp() / Raw(frame) for frame in FRAMES], link=276)
save("unknown-link.pcap", [Raw(frame) for frame in FRAMES], link=147)
save(
    "vlan.pcap",
    [
        ether() / (Dot1Q(vlan=5) if index % 2 else Dot1AD(vlan=9) / Dot1Q(vlan=5)) / ip4() / udp() / Raw(frame)
        for index, frame in enumerate(FRAMES)
    ],
)

# Several frames a datagram, a frame over two datagrams, both directions, other traffic, a datagram seen twice.
back = ether() / IP(src="10.0.0.2", dst="10.0.0.1") / UDP(sport=14550, dport=14555)
mixed = [
    ether() / ARP(psrc="10.0.0.1", pdst="10.0.0.2"),
    ether() / ip4() / udp() / Raw(b"".join(FRAMES[:7])),
    ether() / ip4() / ICMP() / Raw(FRAMES[0]),
    back / Raw(b"".join(FRAMES[7:9])),
    ether() / ip4() / udp() / Raw(FRAMES[9][:5]),
    ether() / ip4() / udp() / Raw(FRAMES[9][5:] + FRAMES[10]),
] + [ether() / ip4() / udp() / Raw(b"".join(FRAMES[n : n + 7])) for n in range(11, 60, 7)]
mixed.insert(8, mixed[7])
save("udp-mixed.pcap", mixed)

# Fragments: late ones first, one twice, two datagrams interleaved.
whole = [ip4(id=7 + n) / udp() / Raw(b"".join(FRAMES[n * 20 : n * 20 + 20])) for n in range(3)]
cut = [fragment(packet, fragsize=256) for packet in whole]
order = cut[0][::-1] + [part for pair in zip(cut[1], cut[2]) for part in pair]
order += cut[1][len(cut[2]) :] + cut[2][len(cut[1]) :]
order.insert(1, order[0])
save("fragments-v4.pcap", [ether() / part for part in order])
save("loss-fragment.pcap", [ether() / part for n, part in enumerate(cut[0] + cut[1] + cut[2]) if n != 1])
long6 = ip6() / IPv6ExtHdrHopByHop() / IPv6ExtHdrFragment(id=99) / udp() / Raw(STREAM[: sum(map(len, FRAMES[:30]))])
parts6 = fragment6(long6, 600)
rest6 = [ip6() / IPv6ExtHdrHopByHop() / IPv6ExtHdrDestOpt() / udp() / Raw(frame) for frame in FRAMES[30:]]
save("v6.pcap", [ether() / packet for packet in parts6[1:] + parts6[:1] + rest6])


# A stream: frames over segment boundaries, out of order, sent twice, overlapping; the sequence number wraps.
def segment(start, end, flags="A"):
    tcp = TCP(sport=5760, dport=40000, seq=(0xFFFFFE00 + start) % 2**32, flags=flags)
    return ether() / ip4() / tcp / Raw(STREAM[start:end])


opening = ether() / ip4() / TCP(sport=5760, dport=40000, seq=0xFFFFFDFF, flags="S")
pieces = [segment(start, min(start + 100, len(STREAM))) for start in range(0, len(STREAM), 100)]
tcp = [opening] + pieces[:3] + [pieces[5], pieces[4], pieces[3], pieces[4]] + pieces[6:8]
tcp += [segment(650, 900)] + pieces[9:]
save("tcp.pcap", tcp)
save("tcp-middle.pcap", pieces)  # the capture starts after the connection was made
save("loss-tcp.pcap", pieces[:2] + pieces[3:])
save("loss-snap.pcap", plain, snap=100)

# pcapng by scapy.
writer = PcapNgWriter(str(HERE / "udp.pcapng"))
for index, packet in enumerate(plain):
    packet.time = EDecimal(at(index)) / 1_000_000
    writer.write(packet)
writer.close()
assert len(rdpcap(str(HERE / "udp.pcapng"))) == 60


# pcapng by hand.
def block(order, kind, body):
    body += bytes(-len(body) % 4)
    return struct.pack(order + "II", kind, len(body) + 12) + body + struct.pack(order + "I", len(body) + 12)


def section(order):
    return block(order, 0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1))


def interface(order, options, link=1):
    body = struct.pack(order + "HHI", link, 0, 0)
    for code, value in options:
        body += struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)
    return block(order, 1, body + (struct.pack(order + "HH", 0, 0) if options else b""))


def enhanced(order, packet, units, number=0):
    packet = bytes(packet)
    head = struct.pack(order + "IIIII", number, units >> 32, units & 0xFFFFFFFF, len(packet), len(packet))
    return block(order, 6, head + packet + bytes(-len(packet) % 4))


def obsolete(order, packet, units):
    packet = bytes(packet)
    head = struct.pack(order + "HHIIII", 0, 0xFFFF, units >> 32, units & 0xFFFFFFFF, len(packet), len(packet))
    return block(order, 2, head + packet)


def write(name, data, packets=60):
    (HERE / name).write_bytes(data)
    if packets:
        read = rdpcap(str(HERE / name))
        assert len(read) == packets, (name, len(read))
        return read


data = section(">") + interface(">", [(9, b"\x09")])
data += b"".join(enhanced(">", packet, at(n) * 1000) for n, packet in enumerate(plain))
read = write("ng-be-ns.pcapng", data)
assert all(abs(int(packet.time * 10**6) - at(n)) <= 1 for n, packet in enumerate(read))

# 2^-20 s since a moment 1,700,000,000 s after 1970; the offset is an option of 8 bytes.
data = section("<") + interface("<", [(9, b"\x94"), (14, struct.pack("<q", 1_700_000_000))])
data += b"".join(
    enhanced("<", packet, -(-(at(n) - 1_700_000_000_000_000) * 2**20 // 10**6)) for n, packet in enumerate(plain)
)
write("ng-binary-offset.pcapng", data, 60)

data = section("<") + interface("<", [])
data += b"".join(block("<", 3, struct.pack("<I", len(packet)) + bytes(packet)) for packet in plain)
write("ng-simple.pcapng", data)

# Two sections of different byte order, two interfaces, blocks of other kinds, the obsolete packet block.
data = section("<") + interface("<", []) + interface("<", [], link=101)
data += block("<", 4, struct.pack("<HH", 0, 0)) + block("<", 0x7777, b"of a kind yet unknown")
data += b"".join(enhanced("<", bytes(packet[IP]), at(n), 1) for n, packet in enumerate(plain[:20]))
data += b"".join(obsolete("<", packet, at(n + 20)) for n, packet in enumerate(plain[20:40]))
data += section(">") + interface(">", [])
data += b"".join(enhanced(">", packet, at(n + 40)) for n, packet in enumerate(plain[40:]))
write("ng-sections.pcapng", data, 0)
