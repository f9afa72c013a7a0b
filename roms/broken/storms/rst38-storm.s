; Jumps through a table with one entry too few: into unprogrammed ROM, which is FFh = RST 38h.
        .text
start:  ld sp,0
        ld a,2
        jp dispatch
dispatch:
        add a,a
        ld e,a
        ld d,0
        ld hl,table
        add hl,de
        ld a,(hl)
        inc hl
        ld h,(hl)
        ld l,a
        jp (hl)
table:  .dw start
        .dw start
        .dw 0x4000
