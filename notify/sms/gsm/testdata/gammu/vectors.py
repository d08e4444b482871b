#!/usr/bin/python3
"""Text messages by gammu (Debian's python3-gammu), for comparison with ours.

    vectors.py encode SEED COUNT   random texts, encoded by gammu
    vectors.py decode              hexadecimal PDUs, one a line, decoded by gammu

Both write one JSON object a line. testdata/gammu/encoded.jsonl is what
"encode 1 100" wrote; decoded.jsonl comes of the Go test with -update.
"""
import datetime
import json
import random
import sys

import gammu

BASIC = ("@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
         "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà")
EXTENDED = "^{}\\[~]|€"
WIDE = "ÇçąЖ中°→₂\U0001F41F\U0001F525 abc019"
VALIDITY = {"5M": 5, "1H": 60, "12H": 720, "13H": 780, "24H": 1440, "2D": 2880, "30D": 43200}  # weeks it writes as days


def text(r):
    """A random text and whether it needs UCS-2."""
    kind = r.randrange(4)
    chars = (BASIC[32:] + "  ", BASIC, BASIC[64:] + EXTENDED * 8, WIDE)[kind]
    n = r.choice((r.randrange(1, 10), r.randrange(10, 71), r.randrange(60, 75), r.randrange(150, 165),
                  r.randrange(300, 310), r.randrange(165, 500)))
    return "".join(r.choice(chars) for _ in range(n)), kind == 3


def number(r):
    drama = "%03d" % r.randrange(1000)
    return r.choice(("+447700900" + drama, "07700900" + drama, "900" + drama[:r.randrange(1, 4)]))


def encode(seed, count):
    r = random.Random(seed)
    for _ in range(count):
        body, wide = text(r)
        kind = r.choice(("Submit", "Deliver"))
        concat = r.choice(("ConcatenatedTextLong", "ConcatenatedTextLong16bit"))
        m = {
            "kind": kind,
            "text": body,
            "number": number(r),
            "centre": r.choice(("", "+447700900000")),
            "class": r.choice((-1, -1, 0, 1, 2, 3)),
            "mr": r.randrange(256),
            "pdus": [],
        }
        if kind == "Deliver":
            if r.randrange(4) == 0:
                m["number"] = r.choice(("Alder Fork", "WEIR", "A B C D E F"))  # others it packs as UTF-8
            when = datetime.datetime(2026, 1, 1) + datetime.timedelta(seconds=r.randrange(365 * 86400))
            m["time"] = when.isoformat()
        else:
            m["validity"] = r.choice(list(VALIDITY))
            m["report"] = r.randrange(2) == 0
        if m["centre"] == "" and kind == "Deliver":
            m["centre"] = "+447700900000"  # gammu writes no Deliver without
        parts = gammu.EncodeSMS({"Class": m["class"], "Unicode": wide, "Entries": [{"ID": concat, "Buffer": body}]})
        m["ref"] = 0
        for p in parts:
            p["SMSC"] = {"Number": m["centre"], "Location": 1}
            p["Number"] = m["number"]
            p["MessageReference"] = m["mr"]
            p["Type"] = kind
            if kind == "Deliver":
                p["DateTime"] = p["SMSCDateTime"] = when
            else:
                p["SMSC"]["Validity"] = m["validity"]
                if m["report"]:
                    p["Type"] = "Status_Report"
            if len(parts) > 1:
                m["ref"], m["wide"] = ref(p["UDH"])
            m["pdus"].append(gammu.EncodePDU(p, kind).hex().upper())
        if "validity" in m:
            m["validity"] = VALIDITY[m["validity"]]
        print(json.dumps(m, ensure_ascii=False))


def ref(udh):
    if udh["ID16bit"] > 0 and udh["ID8bit"] < 0:
        return udh["ID16bit"], True
    return udh["ID8bit"], False


def clip(body, septets):
    """gammu leaves old memory behind texts with characters of two septets."""
    n = 0
    for i, c in enumerate(body):
        if n == septets:
            return body[:i]
        n += 2 if c in EXTENDED + "\f" else 1
    return body


def decode():
    for line in sys.stdin:
        line = line.strip()
        try:
            m = gammu.DecodePDU(bytes.fromhex(line), True)
        except Exception as e:
            print(json.dumps({"pdu": line, "error": str(e)}))
            continue
        out = {
            "pdu": line,
            "kind": m["Type"],
            "text": m["Text"],
            "number": m["Number"],
            "centre": m["SMSC"]["Number"],
            "class": m["Class"],
            "mr": m["MessageReference"],
            "coding": m["Coding"],
            "status": m["DeliveryStatus"],
            "seq": max(m["UDH"]["PartNumber"], 0),
            "total": max(m["UDH"]["AllParts"], 0),
        }
        if m["Coding"] == "Default_No_Compression" and m["Type"] != "Status_Report":
            out["text"] = clip(m["Text"], m["Length"])
        if out["total"]:
            out["ref"], out["wide"] = ref(m["UDH"])
        for key in "DateTime", "SMSCDateTime":
            if m[key] and '"Submit"' != json.dumps(m["Type"]):
                out[key] = m[key].isoformat()
        print(json.dumps(out, ensure_ascii=False))


if sys.argv[1] == "encode":
    encode(int(sys.argv[2]), int(sys.argv[3]))
else:
    decode()
