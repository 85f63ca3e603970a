"""The packets of MQTT 3.1.1 (OASIS standard of 2014) as bytes; nothing here waits or keeps anything."""


def text(value):
    """A text or bytes with its length before it."""
    octets = value.encode() if isinstance(value, str) else value
    return bytes((len(octets) >> 8, len(octets) & 0xFF)) + octets


def packet(first, body, follows=0):
    """A packet from its first byte and what stands behind its length; `follows` more bytes are sent by the caller."""
    made = bytearray((first,))
    length = len(body) + follows
    while length > 0x7F:
        made.append(length & 0x7F | 0x80)
        length >>= 7
    made.append(length)
    return made + body


def connect(client_id, keepalive, clean, user, password, will):
    """The CONNECT packet; `will` is (topic, payload) or None, sent with QoS 1 and retained."""
    flags = 0x02 if clean else 0
    rest = text(client_id)
    if will:
        flags |= 0x04 | 0x08 | 0x20
        rest += text(will[0]) + text(will[1])
    if user is not None:
        flags |= 0x80
        rest += text(user)
        if password is not None:
            flags |= 0x40
            rest += text(password)
    return packet(0x10, text("MQTT") + bytes((4, flags, keepalive >> 8, keepalive & 0xFF)) + rest)


def publish(topic, size, qos, retain, pid):
    """The header of a PUBLISH whose payload of `size` bytes follows; `pid` is its identifier, not used with QoS 0."""
    number = bytes((pid >> 8, pid & 0xFF)) if qos else b""
    return packet(0x30 | qos << 1 | int(retain), text(topic) + number, size)


def subscribe(topic, qos, pid):
    """The SUBSCRIBE packet for one topic."""
    return packet(0x82, bytes((pid >> 8, pid & 0xFF)) + text(topic) + bytes((qos,)))


def measure(octets):
    """(bytes of the packet at the start of `octets`, where its body begins); (0, 0) if it is too early to say.

    ValueError if its length is malformed.
    """
    length = 0
    for place in range(1, 5):
        if len(octets) <= place:
            return 0, 0
        length |= (octets[place] & 0x7F) << (7 * (place - 1))
        if not octets[place] & 0x80:
            return length + 1 + place, 1 + place
    raise ValueError


def message(first, body):
    """(topic, payload, identifier) of a PUBLISH; identifier is None for QoS 0. ValueError or IndexError if malformed."""
    qos = (first >> 1) & 3
    end = 2 + (body[0] << 8 | body[1])
    if qos > 1 or len(body) < end + 2 * qos:
        raise ValueError
    pid = body[end] << 8 | body[end + 1] if qos else None
    return str(body[2:end], "utf-8"), body[end + 2 * qos :], pid
