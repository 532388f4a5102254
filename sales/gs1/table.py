"""Application identifiers: what each holds, with which it must stand and with which it cannot.

General Specifications 26.0, section 3, as of January 2026. A test compares every row with GS1's own
table. What a value means beyond its characters, length, dates and check digit is left out where no
farm meets it: coupons, bank accounts, patients.
"""

from __future__ import annotations

from collections.abc import Iterator

#: What most facts about a trade item stand with.
_ITEM = "01,02,03,8006,8026"
_MEASURE = "30,31nn,32nn,35nn,36nn"
_PERSON = "8017,8018"

#: AIs | format: N digits, X character set 82, in brackets what may be missing | one of these must
#: stand with it, + joining what must stand together | none of these may. n is any digit.
ROWS = f"""
00                  | N18,csum
01                  | N14,csum              |                   | 255,37
02                  | N14,csum              | 37                | 01,03
03                  | N14,csum              |                   | 01,02,37,235
10                  | X..20                 | {_ITEM}
11 13 15 16         | N6,yymmd0             | {_ITEM}
12                  | N6,yymmd0             | 8020
17                  | N6,yymmd0             | 01,02,03,255,8006,8026
20                  | N2                    | {_ITEM}
21                  | X..20                 | 01,03,8006        | 235
22                  | X..20                 | 01
235                 | X..28                 | 01
240 241             | X..30                 | {_ITEM}
242                 | N..6                  | 01,02,8006,8026
243                 | X..20                 | 01,03
250                 | X..30                 | 01+21,03+21,8006+21
251                 | X..30                 | 01,03,8006
253                 | N13,csum [X..17]
254                 | X..20                 | 414
255                 | N13,csum [N..12]      |                   | 01,02,415,8006,8020,8026
30                  | N..8                  | 01,02
37                  | N..8                  | 00+02,00+8026
3900-3909           | N..15                 | 255,8020          | 390n,391n,394n,8111
3910-3919           | N3 N..15              | 8020              | 391n
3920-3929           | N..15 | 01+30,01+31nn,01+32nn,01+35nn,01+36nn | 392n,393n
3930-3939           | N3 N..15              | {_MEASURE}        | 393n
3940-3943           | N4                    | 255               | 394n,8111
3950-3955           | N6                    | {_MEASURE}        | 392n,393n,395n,8005
400                 | X..30
401                 | X..30
402                 | N17,csum
403                 | X..30                 | 00
410-414 416 417     | N13,csum
415                 | N13,csum              | 8020
420                 | X..20                 |                   | 421
421                 | N3,iso3166 X..9       |                   | 4307
422                 | N3,iso3166            | {_ITEM}           | 426
423 425 | N3,iso3166 [N3],iso3166 [N3],iso3166 [N3],iso3166 [N3],iso3166 | 01,02,03 | 426
424                 | N3,iso3166            | 01,02,03          | 426
426                 | N3,iso3166            | 01,02,03
427                 | X..3                  | 01+422,02+422,03+422
4300 4301 4310 4311 4320                     | X..35,pcenc       | 00
4302 4304-4306 4312 4314-4316                | X..70,pcenc       | 00
4303                | X..70,pcenc           | 4302
4313                | X..70,pcenc           | 4312
4307 4317           | X2                    | 00
4308 4319           | X..30                 | 00
4309                | N10 N10               | 00
4318                | X..20                 | 00
4321-4323           | N1,yesno              | 00
4324 4325           | N6,yymmd0 N4,hhmi     | 00
4326                | N6,yymmdd             | 00
4330                | N6 [X1],hyphen        | 00                | 4331
4331                | N6 [X1],hyphen        | 00                | 4330
4332                | N6 [X1],hyphen        | 00                | 4333
4333                | N6 [X1],hyphen        | 00                | 4332
7001                | N13                   | 01,02,8006,8026
7002                | X..30                 | 01,02
7003                | N6,yymmdd N4,hhmi     | 01,02,03
7004                | N..4                  | 01+10,03+10
7005                | X..12                 | 01,02
7006                | N6,yymmdd             | 01,02
7007                | N6,yymmdd [N6],yymmdd | 01,02
7008                | X..3                  | 01,02
7009                | X..10                 | 01,02
7010                | X..2                  | 01,02,03
7011                | N6,yymmdd [N4],hhmi   | 01,02,03
7020                | X..20                 | 01+416,03+416,8006+416
7021                | X..20                 | 01,03,8006
7022                | X..20                 | 01+7021,03+7021,8006+7021
7023                | X..30
7030-7039           | N3,iso3166999 X..27   | 01,02
7040                | N1 X1 X1 X1
7041                | X..4                  | 00
710-717             | X..20                 | 01
7230-7239           | X2 X..28              | 01,8004
7240                | X..20                 | 01,8006           | 03
7241                | N2                    | {_PERSON}
7242                | X..25                 | {_PERSON}
7250                | N8                    | 8018              | 7251
7251                | N8 N4,hhmi            | 8018              | 7250
7252                | N1                    | 8018
7253 7254           | X..40,pcenc           | {_PERSON}         | 7256,7259
7255                | X..10                 | {_PERSON}         | 7256,7259
7256                | X..90,pcenc           | {_PERSON}
7257                | X..70,pcenc           | 8018
7258                | X3                    | 8018+7259
7259                | X..40,pcenc           | 8018              | 7256
8001                | N4 N5 N3 N1 N1        | 01
8002                | X..20
8003                | N1,zero N13,csum [X..16]
8004                | X..30
8005                | N6                    | 01,02
8006                | N14,csum N4           |                   | 01,03,37
8007                | X..34                 | 415
8008                | N6,yymmdd N2,hh [N2],mi [N2],ss | 01,02,03
8009                | X..50                 | 00,01,03
8010                | Y..30
8011                | N..12                 | 8010
8012                | X..20                 | 01,03,8006
8013                | X..25
8014                | X..25                 | 01
8017                | N18,csum              |                   | 8018
8018                | N18,csum              |                   | 8017
8019                | N..10                 | {_PERSON}
8020                | X..25                 | 415
8026                | N14,csum N4           | 37                | 02,03,8006
8030  | Z..90 | 00,01+21,03+21,253,255,8003,8004,8006+21,8010+8011,{_PERSON}
8040                | N15                   | 01+21
8041                | N15                   | 01+21+8040
8042                | N32                   | 01+21+8040
8043                | N18 [N..2]            | 01+21+8040
8110 8112           | X..70
8111                | N4                    | 255
8200                | X..70                 | 01
90                  | X..30
91-99               | X..90
"""

#: Weights, lengths, areas and volumes in six digits, the AI's last digit saying how many of them
#: are decimals, 0 to 5; one of each kind alone. With what they stand, and the first three digits.
MEASURES = {
    "01,02": "310-316 320-329 350-352 356 357 360 361 364-366",
    "00,01": "330-336 340-349 353-355 362 363 367-369",
    "01": "337",
}


def spans(text: str) -> Iterator[str]:
    """310-312 337 → 310, 311, 312, 337."""
    for span in text.split():
        first, _, last = span.partition("-")
        yield from map(str, range(int(first), int(last) + 1)) if last else [first]


#: Digit pairs with which an AI begins → how long AI and value are together, so that no separator
#: follows. Every other is ended by one, whatever its length. General Specifications 7.8.3, Table
#: 7-6, which promises never to grow.
PREDEFINED = {
    "00": 20,
    "04": 18,
    "20": 4,
    "41": 16,
    **dict.fromkeys(("01", "02", "03"), 16),
    **dict.fromkeys(("11", "12", "13", "14", "15", "16", "17", "18", "19"), 8),
    **dict.fromkeys(("31", "32", "33", "34", "35", "36"), 10),
}

#: AIs with which the path of a Digital Link may begin → what may follow in it, in which order; one
#: of the sequences alone.
KEYS: dict[str, tuple[tuple[str, ...], ...]] = {
    **dict.fromkeys(("00", "253", "255", "401", "402", "8003", "8013"), ((),)),
    "01": (("22", "10", "21"), ("235",)),
    "414": (("254",), ("7040",)),
    "415": (("8020",),),
    "417": (("7040",),),
    "8004": (("7040",),),
    "8006": (("22", "10", "21"),),
    "8010": (("8011",),),
    "8017": (("8019",),),
    "8018": (("8019",),),
}

#: AIs that a Digital Link does not take in its query.
NOT_IN_QUERY = frozenset(spans("03 21 22 235 254 7040 7041 8011 8014 8019 8020 8040-8043 8200"))

#: Numbers of countries and areas: ISO 3166-1. Held to GS1's own list.
COUNTRIES = """
004 008 010 012 016 020 024 028 031 032 036 040 044 048 050 051 052 056 060 064 068 070 072 074
076 084 086 090 092 096 100 104 108 112 116 120 124 132 136 140 144 148 152 156 158 162 166 170
174 175 178 180 184 188 191 192 196 203 204 208 212 214 218 222 226 231 232 233 234 238 239 242
246 248 250 254 258 260 262 266 268 270 275 276 288 292 296 300 304 308 312 316 320 324 328 332
334 336 340 344 348 352 356 360 364 368 372 376 380 384 388 392 398 400 404 408 410 414 417 418
422 426 428 430 434 438 440 442 446 450 454 458 462 466 470 474 478 480 484 492 496 498 499 500
504 508 512 516 520 524 528 531 533 534 535 540 548 554 558 562 566 570 574 578 580 581 583 584
585 586 591 598 600 604 608 612 616 620 624 626 630 634 638 642 643 646 652 654 659 660 662 663
666 670 674 678 682 686 688 690 694 702 703 704 705 706 710 716 724 728 729 732 740 744 748 752
756 760 762 764 768 772 776 780 784 788 792 795 796 798 800 804 807 818 826 831 832 833 834 840
850 854 858 860 862 876 882 887 894
"""
