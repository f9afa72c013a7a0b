; An I2C bus on port 64h: bit 0 SDA, bit 1 SCL, 0 pulls low; both are read back in the same bits.
; What is assembled with a define leaves out what its name says; the zoo's machines do so.
        .equ PORT,0x64
        .equ SDA,1
        .equ SCL,2
        .global recover, write_to, read_from, transfer
        .text
; Let both lines go, and give clocks until SDA is high; then START and STOP.
recover:
        ld a,SDA
        out (PORT),a
        call pause
        .ifdef NO_CLEAR
        ld a,SDA+SCL
        out (PORT),a
1:      in a,(PORT)                     ; a bus in use: wait
        and SDA
        jr z,1b
        .else
        ld b,9
1:      ld a,SDA+SCL
        out (PORT),a
        in a,(PORT)
        and SDA
        jr nz,2f
        ld a,SDA
        out (PORT),a
        call pause
        djnz 1b
2:
        .endif
        call begin
; STOP; keeps the flags.
end:    ld a,0
        out (PORT),a
        ld a,SCL
        out (PORT),a
        ld a,SDA+SCL
        out (PORT),a
        ret
; START, again if need be.
begin:  ld a,SDA
        out (PORT),a
        call pause
        ld a,SDA+SCL
        out (PORT),a
        ld a,SCL
        out (PORT),a
        xor a
        out (PORT),a
pause:  ret
; A clock with A (0 or 1) on SDA; carry = SDA as it was while SCL was high.
clock:  out (PORT),a
        ld e,a
        or SCL
        out (PORT),a
        .ifndef NO_STRETCH
1:      in a,(PORT)                     ; whoever stretches SCL keeps it low
        and SCL
        jr z,1b
        .endif
        in a,(PORT)
        rrca
        ld a,e
        out (PORT),a
        ret
; Send A; carry set when nobody acknowledges.
send:   push bc
        ld c,a
        ld b,8
1:      sla c
        ld a,0
        rla
        call clock
        djnz 1b
        ld a,SDA
        call clock
        pop bc
        ret
; Take a byte to A; D = 0 acknowledges it, 1 says that it is the last.
take:   push bc
        ld b,8
1:      ld a,SDA
        call clock
        rl c
        djnz 1b
        ld a,d
        call clock
        ld a,SDA
        out (PORT),a
        ld a,c
        pop bc
        ret
; Write B bytes at HL to the device with the address C; carry set when it is not there.
write_to:
        call begin
        ld a,c
        call send
        jp c,end
1:      ld a,(hl)
        inc hl
        call send
        jp c,end
        djnz 1b
        jp end
; Read B bytes to HL from the device with the address C; carry set when it is not there.
read_from:
        call begin
        ld a,c
        inc a
        call send
        jp c,end
1:      ld d,0
        dec b
        jr nz,2f
        inc d
2:      inc b
        call take
        ld (hl),a
        inc hl
        djnz 1b
        or a
        jp end
; Write the A bytes at HL, then read B bytes to IX, without a STOP between them.
transfer:
        push bc
        ld b,a
        call begin
        ld a,c
        call send
        jr c,3f
4:      ld a,(hl)
        inc hl
        call send
        jr c,3f
        djnz 4b
        pop bc
        push ix
        pop hl
        jr read_from
3:      pop bc
        jp end
