; A polled driver for a 765-class controller without DMA. Ports: status 40h, data 41h, output
; register 42h, rate 43h, terminal count 44h. Every routine keeps BC; carry means it failed.
        .global fdc_start, fdc_seek, fdc_format, fdc_write, cylinder, head, sector
        .equ status,0x40
        .equ data,0x41
        .equ output,0x42
        .equ rate,0x43
        .equ count,0x44

        .bss
cylinder: .space 1
head:   .space 1
sector: .space 1
result: .space 7
ids:    .space 72               ; C H R N of each sector of a track
        .text

; Leave reset, turn the motor on, take the ready changes, set the times, find track 0.
fdc_start:
        push bc
        xor a
        out (output),a
        out (rate),a            ; 500 kbit/s
        ld a,0x1C
        out (output),a
        ld bc,1000              ; the chip looks at the ready lines after 1 ms
start_wait:
        dec bc
        ld a,b
        or c
        jr nz,start_wait
        ld b,4
start_sense:
        call sense
        djnz start_sense
        ld a,0x03               ; SPECIFY: step 3 ms, unload 240 ms, load 2 ms, no DMA
        call send
        ld a,0xDF
        call send
        ld a,0x03
        call send
        pop bc
        call recalibrate
        ret nc                  ; one from beyond track 77 needs a second

recalibrate:
        ld a,0x07
        call send
        xor a
        call send
        jr seek_end

; Seek to the cylinder.
fdc_seek:
        ld a,0x0F
        call send
        call send_drive
        ld a,(cylinder)
        call send
; The drive's busy bit falls only with SENSE INTERRUPT: ask until the seek has ended.
seek_end:
        call sense
        ld a,(result)
        bit 5,a
        jr z,seek_end
        and 0xC0
        ret z
        scf
        ret

; Ask what ended; the answer goes to result.
sense:  ld a,0x08
        call send
        jp results

; Write the sector from the buffer.
fdc_write:
        ld a,0x45
        call send
        call send_drive
        ld a,(cylinder)
        call send
        ld a,(head)
        call send
        ld a,(sector)
        call send
        ld a,2
        call send
        ld a,(sector)           ; the last sector of the command
        call send
        ld a,0x1B
        call send
        ld a,0xFF
        call send
        push bc
        ld hl,buffer
        ld bc,data              ; B = 0: 256 bytes
        call put_bytes
        call put_bytes
        pop bc
        out (count),a
        jp finish

; Give bytes from HL to port C until B is 0, or the execution phase ends. 62 T-states a byte.
put_bytes:
        in a,(status)
        add a,a
        jr nc,put_bytes         ; no RQM
        add a,a
        ret p                   ; NDM: the execution phase is over
        outi
        jp nz,put_bytes
        ret

; Format the track with the sectors of order.
fdc_format:
        push bc
        ld de,ids               ; C H R N of each sector, in the order in which they pass
        ld hl,order
        ld b,18
format_id:
        ld a,(cylinder)
        ld (de),a
        inc de
        ld a,(head)
        ld (de),a
        inc de
        ld a,(hl)
        ld (de),a
        inc hl
        inc de
        ld a,2
        ld (de),a
        inc de
        djnz format_id
        ld a,0x4D
        call send
        call send_drive
        ld a,2
        call send
        ld a,18
        call send
        ld a,0x6C               ; gap 3
        call send
        ld a,0xF6
        call send
        ld hl,ids
        ld bc,data+72*256
        call put_bytes
        pop bc
        jp finish

; Take the results; carry when the command did not end well.
finish: call results
        ld a,(result)
        and 0xC0
        ret z
        scf
        ret

; Send the byte that names head and drive.
send_drive:
        ld a,(head)
        add a,a
        add a,a
; Send A as soon as the chip asks for it.
send:   push af
send_wait:
        in a,(status)
        and 0xC0
        cp 0x80
        jr nz,send_wait
        pop af
        out (data),a
        ret

; Read result bytes while there are any.
results:
        push hl
        ld hl,result
results_next:
        in a,(status)
        add a,a
        jr nc,results_next
        jp p,results_end        ; DIO is 0: no more of them
        in a,(data)
        ld (hl),a
        inc hl
        jr results_next
results_end:
        pop hl
        ret
