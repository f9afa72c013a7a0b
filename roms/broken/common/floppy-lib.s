; What the floppy machines share: a controller at 40h, polled, without DMA.
        .equ status,0x40
        .equ data,0x41
        .equ output,0x42
        .equ rate,0x43
        .global reset_controller, send, results, sense, recalibrate, spin_up, read_sector, buffer
        .global result, read_command
        .text
; Out of reset, A = 250 kbit/s (2) or 500 (0); take the four ready changes; step 6 ms at 250.
reset_controller:
        out (rate),a
        xor a
        out (output),a
        ld a,0x0C
        out (output),a
        ld bc,10
1:      djnz 1b
        dec c
        jr nz,1b
        ld b,4
2:      push bc
        call sense
        pop bc
        djnz 2b
        ld hl,specify
        ld b,3
; Send B bytes at HL.
send:   ld c,data
1:      in a,(status)
        and 0xC0
        cp 0x80
        jr nz,1b
        outi
        jr nz,1b
        ret
sense:  ld hl,sense_command
        ld b,1
        call send
; Take the results.
results:
        ld hl,result
        ld bc,0x0800+data
1:      in a,(status)
        add a,a
        jr nc,1b
        ret p
        ini
        jr nz,1b
        ret
; Motor on, and more than half a second of waiting at up to 8 MHz.
spin_up:
        ld a,0x1C
        out (output),a
        ld de,5
1:      ld bc,0
2:      djnz 2b
        dec c
        jr nz,2b
        dec de
        ld a,d
        or e
        jr nz,1b
        ret
; Find track 0; A = ST0 of its end.
recalibrate:
        ld hl,recalibrate_command
        ld b,2
        call send
1:      call sense
        ld a,(result)
        bit 5,a
        jr z,1b
        ret
; Read sector 1 of cylinder 0 to `buffer`, then the results.
read_sector:
        ld hl,read_command
        ld b,9
        call send
        ld hl,buffer
        ld c,data
1:      in a,(status)
        add a,a
        jr nc,1b
        add a,a
        jp p,results
        ini
        jr 1b

specify:
        .byte 0x03,0xDF,0x03
sense_command:
        .byte 0x08
recalibrate_command:
        .byte 0x07,0
read_command:
        .byte 0x46,0,0,0,1,2,1,0x1B,0xFF
        .bss
result: .space 8
buffer: .space 512
