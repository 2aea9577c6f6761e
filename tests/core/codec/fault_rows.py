"""Sheets with faults, and lines that look alike and have none."""

from __future__ import annotations

from tests.core.codec.small import parameter, table

# name -> body, and the faults: line in the body, part of the message
ROWS: dict[str, tuple[str, list[tuple[int, str]]]] = {
    "two exclusive lines alike": (
        parameter("F0 7D id 01 vv F7", "a") + parameter("F0 7D id 01 vv F7", "b"),
        [(6, "no receiver could tell b from a: both are F0 7D id 01 vv F7")],
    ),
    "two NRPN alike, the other selector first": (
        parameter("Bn 63 05 62 12 06 vv", "a", per=["channel"])
        + parameter("Bn 62 12 63 05 06 vh 26 vl", "b", per=["channel"]),
        [(7, "no receiver could tell b from a: both are NRPN 05 12")],
    ),
    "two controllers alike, one on a fixed channel": (
        parameter("Bn 4A vv", "a", per=["channel"]) + parameter("B3 4A vv", "b"),
        [(7, "both are controller 74 (4A)")],
    ),
    "a pair and its low half": (
        parameter("Bn 07 vh 27 vl", "a", per=["channel"])
        + parameter("Bn 27 vv", "b", per=["channel"]),
        [(7, "both are controller 39 (27)")],
    ),
    "a controller in a sequence and alone": (
        parameter("Bn 50 vv", "a", per=["channel"])
        + parameter("Bn 51 02 Bn 50 vv", "b", per=["channel"]),
        [(7, "both are controller 80")],
    ),
    "a key field over a fixed byte": (
        parameter("F0 7D id kk vv F7", "a", per=["key"]) + parameter("F0 7D id 05 vv F7", "b"),
        [(7, "no receiver could tell b from a")],
    ),
    "the same device id": (
        parameter("F0 7D id 01 vv F7", "a") + parameter("F0 7D 11 01 vv F7", "b"),
        [(6, "no receiver could tell b from a")],
    ),
    "ranges that overlap": (
        parameter("F0 7D 01 vv F7", "a", range=[0, 63])
        + parameter("F0 7D 01 vv F7", "b", range=[63, 127]),
        [(7, "no receiver could tell b from a")],
    ),
    "conditions that can both hold": (
        parameter("F0 7D 01 vv F7", "k")
        + parameter("F0 7D 02 vv F7", "a", when={"k": [1, 2]})
        + parameter("F0 7D 02 vv F7", "b", when={"k": [2, 3]}),
        [(10, "no receiver could tell b from a")],
    ),
    "three alike are two faults": (
        parameter("F0 7D 01 vv F7", "a")
        + parameter("F0 7D 01 vv F7", "b")
        + parameter("F0 7D 01 vv F7", "c"),
        [(6, "tell b from a"), (9, "tell c from a")],
    ),
    "two routes that read the same bytes otherwise": (
        parameter("F0 7D 01 vl vh F7", "a")
        + table("parameter.route", {"line": "F0 7D 01 vh vl F7"}),
        [(5, "two routes of a read different things from the same bytes")],
    ),
    "a short dump": (
        parameter("F0 7D id 12 vv F7", "a")
        + table("block", {"key": "d", "line": "F0 7D id 12 data* F7"}),
        [(6, "no receiver could tell d from a")],
    ),
    "two dumps": (
        table("block", {"key": "c", "line": "F0 7D id 12 data* F7"})
        + table("block", {"key": "d", "line": "F0 7D id 12 data* F7", "size": 5}),
        [(6, "no receiver could tell d from c")],
    ),
    "a bank controller": (
        '[programs]\nline = "Bn 00 bh 20 bl Cn pp"\n' + parameter("Bn 20 vv", "a", per=["channel"]),
        [(5, "could tell it from the choice of a program: controller 32 chooses the bank")],
    ),
    "a program change": (
        '[programs]\nline = "Cn pp"\n' + parameter("Cn vv", "a", per=["channel"]),
        [(5, "could tell it from the choice of a program")],
    ),
    "a bit sent twice": (
        parameter("F0 7D vv vl F7"),
        [(3, "can't be inverted: value bit 0 stands in it twice")],
    ),
    "a bit left out": (
        parameter("F0 7D vh F7"),
        [(3, "can't be inverted: value bits 0 to 6 are missing")],
    ),
    "a bit in the middle left out": (
        parameter("F0 7D v:13-8 v:6-0 F7"),
        [(3, "can't be inverted: value bits 7 are missing")],
    ),
    "half a selection": (
        parameter("Bn 63 05 06 vv", per=["channel"]),
        [(3, "can't be inverted: controller 6 selects or sets other parameters")],
    ),
    "bare data entry": (
        parameter("Bn 06 vv", per=["channel"]),
        [(3, "can't be inverted: controller 6 selects")],
    ),
    "data for nothing": (
        parameter("Bn 65 7F 64 7F 06 vv", per=["channel"]),
        [(3, "7F 7F selects nothing")],
    ),
    "data for nothing at the highest key": (
        parameter("Bn 63 7F 62 kk 06 vv", per=["channel", "key"]),
        [(3, "7F 7F selects nothing")],
    ),
    "the controller number is a field": (
        parameter("Bn vv 40", per=["channel"]),
        [(3, "its controller number is a field")],
    ),
    "messages of one line that look alike": (
        parameter(["F0 7D 01 vh F7", "F0 7D 01 vl F7"]),
        [(3, "its messages 1 and 2 can't be told apart")],
    ),
    "per without its field": (
        parameter("F0 7D vv F7", per=["channel"]),
        [(3, "can't be inverted: it has no field for it")],
    ),
    "a field without per": (parameter("Bn 07 vv"), [(3, "has a field for the channel")]),
    "per that is none": (parameter("F0 7D vv F7", per=["part"]), [(4, "not 'part'")]),
    "a fixed byte above 7F": (parameter("F0 7D 80 vv F7"), [(3, "a data byte is 00 to 7F")]),
    "a default outside": (
        parameter("F0 7D vv F7", range=[0, 10], default=11),
        [(5, "the default 11 is outside the range 0 to 10")],
    ),
    "a default in a hole": (
        parameter("F0 7D vv F7", range=[[0, 3], [8, 9]], default=5),
        [(5, "outside the range 0 to 3 and 8 to 9")],
    ),
    "a default that is no choice": (
        parameter("F0 7D vv F7", choices={0: "off"}, default="on"),
        [(5, "the default 'on' is none of the choices")],
    ),
    "a choice outside": (
        parameter("F0 7D vv F7", range=[0, 1], choices={2: "two"}),
        [(5, "the choice 2 (two) is outside the range 0 to 1")],
    ),
    "two names for one value": (
        parameter("F0 7D vv F7", choices={"1": "one", "0x1": "uno"}),
        [(4, "two names are given to 1: 'one' and 'uno'")],
    ),
    "a range that the line can't carry": (
        parameter("F0 7D vv F7", range=[0, 128]),
        [(4, "its 7 value bits carry 0 to 127")],
    ),
    "a negative range without a coding": (
        parameter("F0 7D vv F7", range=[-64, 63]),
        [(4, "name a coding for signed numbers")],
    ),
    "a range upside down": (parameter("F0 7D vv F7", range=[9, 1]), [(4, "runs from 9 down to 1")]),
    "ranges that overlap each other": (
        parameter("F0 7D vv F7", range=[[0, 5], [5, 9]]),
        [(4, "overlaps the one before it")],
    ),
    "a range of one number": (parameter("F0 7D vv F7", range=[1]), [(4, "[low, high]")]),
    "an unknown coding": (
        parameter("F0 7D vv F7", coding="two"),
        [(4, "there is no coding 'two' (did you mean 'twos'?)")],
    ),
    "a zero without offset": (parameter("F0 7D vv F7", zero=3), [(4, "offset")]),
    "an action with a range": (parameter("F0 7D 01 F7", range=[0, 1]), [(4, "carries no value")]),
    "a run without a type": (parameter("F0 7D t*3 F7"), [(1, "its type is not given")]),
    "a type without a run": (parameter("F0 7D vv F7", type="text"), [(4, "goes with a run")]),
    "a run beside a value": (
        parameter("F0 7D t*3 vv F7", type="text"),
        [(3, "no other value field may stand beside it")],
    ),
    "two runs": (parameter("F0 7D t*3 u*3 F7", type="text"), [(3, "holds one run")]),
    "a text with a range": (
        parameter("F0 7D t*3 F7", type="text", range=[0, 1]),
        [(5, "a text has no range")],
    ),
    "a default too long": (
        parameter("F0 7D t*3 F7", type="text", default="four"),
        [(5, "does not fit a text run of 3 bytes")],
    ),
    "a default of other letters": (
        parameter("F0 7D t*3 F7", type="text", default="é"),
        [(5, "does not fit a text run of 3 bytes")],
    ),
    "a default list with a hole": (
        parameter("F0 7D t*2 F7", type="list", range=[[0, 1], [5, 6]], default=[1, 3]),
        [(6, "does not fit a list run of 2 bytes")],
    ),
    "a default list and an unknown coding": (
        parameter("F0 7D t*2 F7", type="list", coding="x", default=[1, 3]),
        [(5, "there is no coding")],
    ),
    "a preferred route that cuts": (
        parameter("F0 7D 01 vh vl F7", range=[0, 1000])
        + table("parameter.route", {"line": "F0 7D 02 vv F7", "prefer": True}),
        [(6, "carries 7 value bits, too few")],
    ),
    "a route that codes otherwise": (
        parameter("F0 7D 01 vh vl F7", coding="twos")
        + table("parameter.route", {"line": "F0 7D 02 vv F7"}),
        [(6, "carries 7 value bits, too few")],
    ),
    "an own line that a finer route would code otherwise": (
        parameter("F0 7D 01 vv F7", coding="offset")
        + table("parameter.route", {"line": "F0 7D 02 vh vl F7"}),
        [(3, "carries 7 value bits, too few")],
    ),
    "a route without a value": (
        parameter("F0 7D 01 vv F7") + table("parameter.route", {"line": "F0 7D 02 F7"}),
        [(5, "carries no value")],
    ),
    "a route with another run": (
        parameter("F0 7D 01 t*3 F7", type="text")
        + table("parameter.route", {"line": "F0 7D 02 t*4 F7"}),
        [(6, "different runs")],
    ),
    "a route per something else": (
        parameter("F0 7D 01 vv F7") + table("parameter.route", {"line": "Bn 4A vv"}),
        [(5, "differ in the channel")],
    ),
    "two preferred routes": (
        parameter("F0 7D 01 vv F7")
        + table("parameter.route", {"line": "F0 7D 02 vv F7", "prefer": True})
        + table("parameter.route", {"line": "F0 7D 03 vv F7", "prefer": True}),
        [(4, "2 routes are preferred")],
    ),
    "a coarse route preferred": (
        parameter("F0 7D 01 vh vl F7")
        + table("parameter.route", {"line": "F0 7D 02 vh F7", "prefer": True}),
        [(5, "value bits 0 to 6 are missing")],
    ),
    "a checksum without a span": (parameter("F0 7D 01 vv cs F7"), [(3, "without a span")]),
    "a checksum named for a line without one": (
        parameter("F0 7D 01 vv F7", checksum="xor"),
        [(4, "a checksum without a span")],
    ),
    "a span without a name": (parameter("F0 7D [ 01 vv ] cs F7"), [(3, "none is named")]),
    "a checksum that is not there": (
        parameter("F0 7D [ 01 vv ] cs F7", checksum="xr"),
        [(4, "there is no [checksum.xr] (did you mean 'xor'?)")],
    ),
    "two checksums, one named": (
        parameter("F0 7D [ 01 ] cs [ vv ] cs F7", checksum="xor"),
        [(4, "has 2 checksums, and 1 are named")],
    ),
    "an unknown rule": (
        '[checksum.other]\nrule = "sum7"\n',
        [(2, "there is no rule 'sum7' (did you mean 'sum-7'?)")],
    ),
    "a map with doubles": (
        '[map.twice]\nof = "channel"\n'
        + f"values = {[1, *range(1, 16)]}\n"
        + parameter("F0 7D 4p vv F7", per=["channel"], map={"p": "twice"}),
        [(8, "has doubles")],
    ),
    "a map too short": (
        '[map.few]\nof = "channel"\nvalues = [1, 2]\n',
        [(3, "a map of channel has 16 values, not 2")],
    ),
    "a map too large for a half byte": (
        parameter("F0 7D 4p vv F7", per=["key"], map={"p": "turned"}),
        [(5, "values above 15, too large for the half byte 4p")],
    ),
    "a map of keys in a status": (
        '[map.low]\nof = "key"\nvalues = ['
        + ", ".join(str(i % 16) for i in range(128))
        + "]\n"
        + parameter("Bp 07 vv", per=["key"], map={"p": "low"}),
        [(8, "its map must be one of channels"), (8, "has doubles")],
    ),
    "a letter without a map": (parameter("F0 7D 4p vv F7"), [(3, "no map is named for 'p'")]),
    "a map without a letter": (
        parameter("F0 7D vv F7", map={"q": "part"}),
        [(4, "the map letter 'q' does not stand in the line")],
    ),
    "a map that is not there": (
        parameter("F0 7D 4p vv F7", per=["channel"], map={"p": "prt"}),
        [(5, "there is no [map.prt] (did you mean 'part'?)")],
    ),
    "an unknown key": (parameter("F0 7D vv F7", defualt=1), [(4, "did you mean 'default'?")]),
    "two of one key": (
        parameter("F0 7D 01 vv F7") + parameter("F0 7D 02 vv F7"),
        [(5, "there are two parameters 'x'")],
    ),
    "a condition on nothing": (
        parameter("F0 7D 01 vv F7", "kind") + parameter("F0 7D 02 vv F7", when={"knd": [1]}),
        [(7, "there is no parameter 'knd' (did you mean 'kind'?)")],
    ),
    "a condition that names no value": (
        parameter("F0 7D 01 vv F7", "kind") + parameter("F0 7D 02 vv F7", when={"kind": []}),
        [(7, "names no value")],
    ),
    "a condition on a value that is none": (
        parameter("F0 7D 01 vv F7", "kind", choices={0: "long"})
        + parameter("F0 7D 02 vv F7", when={"kind": ["lang"]}),
        [(8, "kind has no value 'lang' (did you mean 'long'?)")],
    ),
    "a condition on a text": (
        parameter("F0 7D 01 t*3 F7", "kind", type="text")
        + parameter("F0 7D 02 vv F7", when={"kind": [1]}),
        [(8, "no plain number")],
    ),
    "another value that is not there": (
        parameter("F0 7D 01 vv {y} F7"),
        [(3, "there is no parameter 'y'")],
    ),
    "its own value": (parameter("F0 7D 01 vv {x} F7"), [(3, "calls for its own")]),
    "half of another value": (
        parameter("F0 7D 01 vh vl F7", "y") + parameter("F0 7D 02 vv {y} F7"),
        [(6, "{y} carries bits 0 to 6, and y has 14 bits")],
    ),
    "another value twice": (
        parameter("F0 7D 01 vv F7", "y") + parameter("F0 7D 02 vv {y} {y} F7"),
        [(6, "bit 0 of y stands in the line twice")],
    ),
    "another value per channel": (
        parameter("Bn 07 vv", "y", per=["channel"]) + parameter("F0 7D 02 vv {y} F7"),
        [(7, "y is set per channel, and this one is not")],
    ),
    "a dump place that is not there": (
        parameter("F0 7D 01 vv F7", at={"block": "snd", "byte": 1}),
        [(4, "there is no block 'snd'")],
    ),
    "a dump place behind the end": (
        table("block", {"key": "s", "line": "F0 7D 02 data* F7", "size": 4})
        + parameter("F0 7D 01 vv F7", at={"block": "s", "byte": 4}),
        [(8, "byte 4 is behind the end of s (4 bytes)")],
    ),
    "a dump place too narrow": (
        table("block", {"key": "s", "line": "F0 7D 02 data* F7"})
        + parameter("F0 7D 01 vv F7", coding="twos", at={"block": "s", "byte": 4, "bits": "3-0"}),
        [(8, "4 bits in the dump hold -8 to 7, not -64 to 63")],
    ),
    "bit 7 of a dump that is not packed": (
        table("block", {"key": "s", "line": "F0 7D 02 data* F7"})
        + parameter("F0 7D 01 vv F7", at={"block": "s", "byte": 4, "bits": "7-0"}),
        [(7, "have bits 6 to 0 only")],
    ),
    "a dump place in two dumps": (
        table("block", {"key": "s", "line": "F0 7D 02 data* F7"})
        + table("block", {"key": "t", "line": "F0 7D 03 data* F7"})
        + parameter("F0 7D 01 vv F7", at=[{"block": "s", "byte": 1}, {"block": "t", "byte": 1}]),
        [(10, "stand in the same block")],
    ),
    "a dump of two messages": (
        table("block", {"key": "s", "line": ["F0 7D 02 data* F7", "F0 7D 03 F7"]}),
        [(3, "one message")],
    ),
    "a dump without data": (
        table("block", {"key": "s", "line": "F0 7D 02 F7"}),
        [(3, "data* once")],
    ),
    "a request that is no exclusive message": (
        table("block", {"key": "s", "line": "F0 7D 02 data* F7", "request": "B0 50 01"}),
        [(4, "the line of a request is an exclusive message")],
    ),
    "an unknown packing": (
        table("block", {"key": "s", "line": "F0 7D 02 data* F7", "packing": "7in8"}),
        [(4, "there is no packing '7in8' (did you mean '7-in-8'?)")],
    ),
    "a value in a setup line": (
        '[[setup]]\nline = "B0 07 vv"\n',
        [(2, "can't stand in the line of a setup")],
    ),
    "programs without a program byte": (
        '[programs]\nline = "Bn 00 bh"\n',
        [(2, "a program byte pp")],
    ),
    "a bank by another controller": (
        '[programs]\nline = "Bn 10 bh Cn pp"\n',
        [(2, "controllers 00 and 20")],
    ),
    "a bank that the line can't send": (
        '[programs]\nline = "Cn pp"\n'
        + table("program", {"number": 1, "name": "A", "bank": [0, 3]}),
        [(6, "sends no bank 3 (put bl into the line of [programs])")],
    ),
    "a program number that is none": (
        '[programs]\nline = "Cn pp"\nfirst = 0\n' + table("program", {"number": 128, "name": "A"}),
        [(5, "programs run from 0 to 127, so 128 is none")],
    ),
    "two programs of one number": (
        table("program", {"number": 1, "name": "A"}) + table("program", {"number": 1, "name": "B"}),
        [(5, "program 1 of this bank is 'A' already")],
    ),
    "keys upside down": (
        table("program", {"number": 1, "name": "A", "keys": [90, 20]}),
        [(4, "the keys run from 90 down to 20")],
    ),
    "a drum that is no key": (
        table("kit", {"number": 1, "names": {"128": "x"}}),
        [(3, "with a key 0 to 127, not '128'")],
    ),
    "a drum with two names": (
        table("kit", {"number": 1, "names": {"36": "x", "036": "y"}}),
        [(3, "two names are given to key 36")],
    ),
    "a formula that calls out": (
        parameter("F0 7D vv F7", shown={"formula": "__import__('os')"}),
        [(4, "is no function of a formula")],
    ),
    "two questions about one thing": (
        table("question", {"about": "a", "place": "p", "understood": "u", "choices": {"y": "z"}})
        + table("question", {"about": "a", "place": "p", "understood": "w", "choices": {"y": "z"}}),
        [(7, 'write the second one as about = "a/topic"')],
    ),
    "an answer to no choice": (
        table("question", {"about": "a", "place": "p", "understood": "u", "choices": {"y": "z"}})
        + '[question.gives.n]\nline = "F6"\n',
        [(6, "gives names 'n', which is none of the choices")],
    ),
}


# Lines that look alike and can be told apart after all.
FINE_ROWS = {
    "ranges that do not meet": parameter("F0 7D 01 vv F7", "a", range=[0, 62])
    + parameter("F0 7D 01 vv F7", "b", range=[63, 127]),
    "ranges that do not meet over two bytes": parameter("F0 7D 01 vh vl F7", "a", range=[0, 999])
    + parameter("F0 7D 01 vh vl F7", "b", range=[1000, 1999]),
    "conditions that can't both hold": parameter("F0 7D 01 vv F7", "k")
    + parameter("F0 7D 02 vv F7", "a", when={"k": [1]})
    + parameter("F0 7D 02 vv F7", "b", when={"k": [2]}),
    "another device's id": parameter("F0 7D id 01 vv F7", "a")
    + parameter("F0 7D 7F 01 vv F7", "b"),
    "a choice out of a key range": parameter("F0 7D 05 vv F7", "a", range=[0, 1])
    + parameter("F0 7D vv 05 F7", "b", range=[6, 9]),
    "the same NRPN, other data": parameter("Bn 63 05 62 12 06 vv", "a", per=["channel"])
    + parameter("Bn 63 05 62 12 26 vv", "b", per=["channel"]),
    "the same NRPN, another fixed byte": parameter(
        "Bn 63 05 62 12 06 01 26 vv", "a", per=["channel"]
    )
    + parameter("Bn 63 05 62 12 06 02 26 vv", "b", per=["channel"]),
    "other channels": parameter("B0 4A vv", "a") + parameter("B1 4A vv", "b"),
    "a dump of another size": parameter("F0 7D id 12 vv F7", "a")
    + table("block", {"key": "d", "line": "F0 7D id 12 data* F7", "size": 64}),
    "one message for two parameters": parameter("Bn 65 00 64 00 06 vv 26 {b}", "a", per=["channel"])
    + parameter("Bn 65 00 64 00 06 {a} 26 vv", "b", per=["channel"]),
    "the same route twice": parameter("F0 7D 01 vv F7", "a")
    + table("parameter.route", {"line": "F0 7D 01 vv F7"}),
    "a coarse route": parameter("Bn 63 01 62 02 06 vh 26 vl", "a", per=["channel"])
    + table("parameter.route", {"line": "Bn 63 01 62 02 06 vh"}),
    "a narrow route for a narrow range": parameter("F0 7D 01 v1 v0 F7", "a", range=[0, 127])
    + table("parameter.route", {"line": "F0 7D 02 vv F7", "prefer": True}),
    "a map letter only in the dump": table(
        "block",
        {"key": "d", "line": "F0 7D 1p data* F7", "request": "F0 7D 03 F7", "map": {"p": "part"}},
    ),
}
