; Works through groups of instructions: counts through operands and opcodes, runs each case, and
; prints a CRC-32 (ISO 3309, as zlib has it) over all states that came of it.
;
; A case is 20 bytes: an instruction of up to 4 bytes, filled up with NOP, and the state it meets:
; the word in memory, IY, IX, HL, DE, BC, AF, SP. A group is a name, the first case, and 20 bytes of
; mask: the bits of the case that are counted through.
        .equ call5,5
        .equ case_size,20
        .text
        jp start
groups_at: .dw groups                   ; for whoever wants to patch the masks

start:  ld sp,(6)
        call make_table
        ld hl,groups
group:  ld e,(hl)
        inc hl
        ld d,(hl)
        inc hl
        ld a,d
        or e
        jp z,0                          ; no more groups
        push hl
        ld c,9
        call call5                      ; its name
        pop hl
        ld de,vector
        ld bc,2 * case_size
        ldir                            ; the first case and the mask
        push hl
        ld hl,0xFFFF
        ld (crc),hl
        ld (crc + 2),hl
cases:  call run_case
        call add_result
        call next_case
        jr nz,cases
        call print_crc
        pop hl
        jr group

; --- one case -----------------------------------------------------------------------------
run_case:
        ld hl,vector
        ld de,iut
        ld bc,4
        ldir
        ld (own_sp),sp
        ld hl,(state)
        ld (word),hl
        ld sp,state + 2
        pop iy
        pop ix
        pop hl
        pop de
        pop bc
        pop af
        ld sp,(state + 14)
iut:    .space 4
        ld (result + 14),sp
        ld sp,result + 14
        push af
        push bc
        push de
        push hl
        push ix
        push iy
        ld sp,(own_sp)
        ld hl,(word)
        ld (result),hl
        ret

; Count the masked bits of the case up by one; Z when they have all been.
next_case:
        ld b,case_size
        ld hl,vector
        ld de,mask
count:  ld a,(de)
        or a
        jr z,passed                     ; nothing to count in this byte: the carry passes it
        cpl
        or (hl)
        inc a
        ld c,a
        xor (hl)
        ex de,hl
        and (hl)
        ex de,hl
        xor (hl)
        ld (hl),a
        ld a,c
        or a
        ret nz                          ; no carry out of this byte
passed: inc hl
        inc de
        djnz count
        xor a
        ret

; --- CRC ----------------------------------------------------------------------------------
; Make the 256 entries: each is its number, shifted right eight times through the polynomial.
make_table:
        ld ix,table
        ld c,0
entry:  ld l,c
        ld h,0
        ld d,h
        ld e,h                          ; D E H L, L the lowest
        ld b,8
bit:    srl d
        rr e
        rr h
        rr l
        jr nc,even
        ld a,d
        xor 0xED
        ld d,a
        ld a,e
        xor 0xB8
        ld e,a
        ld a,h
        xor 0x83
        ld h,a
        ld a,l
        xor 0x20
        ld l,a
even:   djnz bit
        ld (ix),l
        ld (ix + 1),h
        ld (ix + 2),e
        ld (ix + 3),d
        ld de,4
        add ix,de
        inc c
        jr nz,entry
        ret

; Add the 16 bytes of the result to the CRC.
add_result:
        ld b,16
        ld de,result
byte:   ld a,(de)
        inc de
        push de
        ld hl,crc
        xor (hl)
        ld l,a
        ld h,0
        add hl,hl
        add hl,hl
        ld de,table
        add hl,de
        ex de,hl                        ; DE: the entry
        ld hl,crc + 1
        ld a,(de)
        xor (hl)
        dec hl
        ld (hl),a
        inc de
        ld hl,crc + 2
        ld a,(de)
        xor (hl)
        dec hl
        ld (hl),a
        inc de
        ld hl,crc + 3
        ld a,(de)
        xor (hl)
        dec hl
        ld (hl),a
        inc hl
        inc de
        ld a,(de)
        ld (hl),a
        pop de
        djnz byte
        ret

print_crc:
        ld hl,crc + 3
        ld b,4
pair:   ld a,(hl)
        cpl                             ; the CRC's last step
        push af
        rrca
        rrca
        rrca
        rrca
        call nibble
        pop af
        call nibble
        dec hl
        djnz pair
        ld de,line_end
        ld c,9
        jp call5

nibble: and 15
        add a,'0'
        cp '9' + 1
        jr c,digit
        add a,7
digit:  push hl
        push bc
        ld e,a
        ld c,2
        call call5
        pop bc
        pop hl
        ret

line_end: .ascii "\r\n$"
