; Makes the blocks of the instruction soak. A unit is one random instruction, and in front of it
; what it needs to stay on the ground: a pointer in HL, IX or IY, BC, DE, or a count in BC.
;
; Two maps have a letter for every opcode, without prefix and behind ED:
;   .  nothing follows                     h  works on (HL), or (IX+d)
;   n  any byte follows                    i  as h, and any byte follows
;   w  any two bytes follow                p  takes HL, IX or IY for a pointer
;   a  an address on the ground follows    b  works on (BC)         d  works on (DE)
;   r  a relative jump over the next unit  m  works on (HL), (DE) and a count in BC
;   j  an absolute jump over it            c  a call of one of the restarts follows
;   -  left out: ports, HALT, prefixes, and what would lead out of the block
        .include "soak.inc"
        .text
        .global make_block, draw, emit, base_map, ed_map
make_block:
        ld ix,block
        ld b,UNITS
next:   push bc
        call unit
        pop bc
        djnz next
        ld a,0xC3
        call emit
        ld hl,leave
        jp emit_word

; Make a unit at IX. Two in eight have no prefix; one each CB, ED, DD, FD, DD CB and FD CB.
unit:   call draw
        and 7
        ld e,a
        rrca
        ld a,0xDD
        jr nc,even
        ld a,0xFD
even:   ld (prefix),a
        ld a,e
        cp 6
        jr nc,indexed_bits
        cp 4
        jr nc,plain
        cp 3
        jr z,extended
        ld hl,prefix
        ld (hl),0
        cp 2
        jr z,bits
plain:  call draw
        ld e,a
        ld hl,base_map
        call look_up
        jr z,plain                      ; left out: another one
        ld d,0
        jr shape
extended:
        xor a
        ld (prefix),a
redraw: call draw
        ld e,a
        ld hl,ed_map
        call look_up
        jr z,redraw
        ld d,0xED
        jr shape

bits:   call draw
        ld e,a
        and 7
        cp 6
        ld d,0xCB
        ld c,'.'
        jr nz,shape
        ld c,'h'
        jr shape

indexed_bits:
        call load_pointer
        call emit_prefix
        ld a,0xCB
        call emit
        call emit_displacement
        call draw
        jp emit

; Put the letter of opcode E in the map at HL into C; Z for one that is left out.
look_up:
        ld d,0
        add hl,de
        ld c,(hl)
        ld a,c
        cp '-'
        ret

; Put opcode E, behind D if it is a prefix, as the letter C has it.
shape:  ld b,letters
        ld hl,table
find:   ld a,(hl)
        inc hl
        cp c
        jr z,found
        inc hl
        inc hl
        djnz find
found:  ld a,(hl)
        inc hl
        ld h,(hl)
        ld l,a
        jp (hl)

table:  .db '.'
        .dw opcode
        .db 'n'
        .dw with_byte
        .db 'w'
        .dw with_word
        .db 'a'
        .dw with_address
        .db 'h'
        .dw at_pointer
        .db 'i'
        .dw byte_at_pointer
        .db 'p'
        .dw by_pointer
        .db 'b'
        .dw at_bc
        .db 'd'
        .dw at_de
        .db 'r'
        .dw relative
        .db 'j'
        .dw absolute
        .db 'm'
        .dw move
        .db 'c'
        .dw with_restart
        .equ letters,($ - table) / 3

with_byte:
        call opcode
        call draw
        jp emit
with_word:
        call opcode
        call draw
        call emit
        call draw
        jp emit
with_address:
        call opcode
        jp emit_address
with_restart:
        call opcode
        call draw
        and 0x38
        jr nz,some
        ld a,0x20
some:   call emit
        xor a
        jp emit
at_pointer:
        call load_pointer
        call opcode
        ld a,(prefix)
        or a
        ret z
        jp emit_displacement
byte_at_pointer:
        call at_pointer
        call draw
        jp emit
by_pointer:
        call load_pointer
        jp opcode
at_bc:  ld a,0x01
        jr load_then
at_de:  ld a,0x11
load_then:
        call emit
        call emit_address
        jp opcode
move:   push de
        ld a,0x21
        call emit
        call emit_address
        ld a,0x11
        call emit
        call emit_address
        ld a,0x01
        call emit
        call draw
        and 15
        inc a
        call emit
        xor a
        call emit
        pop de
        jp opcode
relative:
        call opcode
        push ix
        call emit                       ; a place for the distance
        call unit
        pop hl                          ; the place
        push ix
        pop de
        ld a,e
        sub l
        dec a
        ld (hl),a
        ret
absolute:
        call opcode
        push ix
        call emit
        call emit
        call unit
        pop hl
        push ix
        pop de
        ld (hl),e
        inc hl
        ld (hl),d
        ret

; --- the parts of a unit ---------------------------------------------------------------------
; Put LD HL, IX or IY with an address on the ground.
load_pointer:
        call emit_prefix
        ld a,0x21
        call emit
emit_address:
        push de
        call draw
        pop de
        and 63
        add a,FIRST
        call emit
        ld hl,ground
        ld a,h
        jr emit

emit_displacement:                      ; -32 to 31
        call draw
        and 63
        sub 32
        jr emit

; Put the prefixes and opcode E; D is EDh, CBh or 0.
opcode: call emit_prefix
        ld a,d
        or a
        call nz,emit
        ld a,e
        jr emit

emit_prefix:
        ld a,(prefix)
        or a
        ret z
        jr emit

emit_word:
        ld a,l
        call emit
        ld a,h
emit:   ld (ix),a
        inc ix
        ret

; Give a byte of chance in A: the next state's top byte. The state x is 32 bits wide:
; x ^= x << 8, x ^= x >> 9, x ^= x << 23, which goes through all 2^32 - 1 (G. Marsaglia,
; "Xorshift RNGs", 2003, has the triple). Uses DE and HL.
draw:   ld hl,(state)
        ld de,(state + 2)
        ld a,d
        xor e
        ld d,a
        ld a,e
        xor h
        ld e,a
        ld a,h
        xor l
        ld h,a
        ld a,e                          ; right by 9, the lowest byte first
        rra
        ld a,h
        rra
        xor l
        ld l,a
        ld a,d
        rra
        ld a,e
        rra
        xor h
        ld h,a
        ld a,d
        srl a
        xor e
        ld e,a
        ld a,l                          ; left by 23
        rrca
        and 0x80
        xor e
        ld e,a
        ld a,h
        rra
        ld a,l
        rra
        xor d
        ld d,a
        ld (state),hl
        ld (state + 2),de
        ret

base_map:
        .ascii ".wb...n...b...n." ; 00h
        .ascii "rwd...n.r.d...n." ; 10h
        .ascii "rwa...n.r.a...n." ; 20h
        .ascii "raa.hhi.r.a...n." ; 30h
        .ascii "......h.......h." ; 40h
        .ascii "......h.......h." ; 50h
        .ascii "......h.......h." ; 60h
        .ascii "hhhhhh-h......h." ; 70h
        .ascii "......h.......h." ; 80h
        .ascii "......h.......h." ; 90h
        .ascii "......h.......h." ; A0h
        .ascii "......h.......h." ; B0h
        .ascii "-.jjc.n---j-ccn." ; C0h
        .ascii "-.j-c.n.-.j-c-n." ; D0h
        .ascii "-.j.c.n.--j.c-n." ; E0h
        .ascii "-.j.c.n.-pj.c-n." ; F0h
ed_map: .fill 64,1,'-'
        .ascii "--.a.-..--.a.-.." ; 40h
        .ascii "--.a.-..--.a.-.." ; 50h
        .ascii "--.a.-.h--.a.-.h" ; 60h
        .ascii "--.a.-..--.-.-.." ; 70h
        .fill 32,1,'-'
        .ascii "mm------mm------" ; A0h
        .ascii "mm------mm------" ; B0h
        .fill 64,1,'-'
