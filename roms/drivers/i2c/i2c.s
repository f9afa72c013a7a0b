; Shows a clock's time once it moves, a memory's text and a sensor's value, all on one I2C bus; writes
; two pages of the memory and reads them back.
        .equ CLOCK,0xD0
        .equ MEMORY,0xA0
        .ifdef SHIFTED
        .equ SENSOR,0x90 << 1 & 0xFF
        .else
        .equ SENSOR,0x90
        .endif
        .text
start:  ld sp,0xFF00
        call talk_on
        call recover
again:  call time                       ; is it going?
        jp c,again
        .ifndef NO_START
        ld a,(now)
        rla
        jr nc,1f
        ld hl,zero_seconds
        ld bc,2 << 8 | CLOCK
        call write_to
        jp c,again
        call time
        .endif
1:      ld a,(now)
        ld (before),a
2:      call time
        jp c,again
        ld a,(before)
        ld hl,now
        cp (hl)
        jr z,2b
        ld a,(now+2)
        call put_hex
        ld a,':'
        call put
        ld a,(now+1)
        call put_hex
        ld a,':'
        call put
        ld a,(now)
        call put_hex
        ld hl,memory_zero
        ld ix,page
        ld bc,32 << 8 | MEMORY
        ld a,2
        call transfer
        jp c,again
        ld hl,page
        call say
        ld hl,page_one
        call write_page
        jp c,again
        ld hl,page_two
        call write_page
        jp c,again
        call poll
        ld hl,page_one
        ld ix,page
        ld bc,128 << 8 | MEMORY
        ld a,2
        call transfer
        jp c,again
        ld hl,page
        ld a,(page_one+2)
        cp (hl)
        jr nz,other
        ld hl,page+64+3
        ld a,(page_two+2+3)
        cp (hl)
        jr nz,other
3:      ld hl,value
        ld bc,4 << 8 | SENSOR
        call read_from
        jr c,3b
        ld a,(value+3)
        sub 'm'
        jr nz,3b
        xor a
        ld (value+4),a
        ld hl,gauge
        call say
        ld hl,value
        call say
        jp prompt
other:  ld hl,differs
        call say
        di
        halt
; Read the clock's first three registers.
time:   ld hl,memory_zero
        ld ix,now
        ld bc,3 << 8 | CLOCK
        ld a,1
        jp transfer
; Write a page: its address and 64 bytes at HL; carry set when the memory does not take it.
write_page:
        .ifndef NO_POLL
        push hl
        call poll
        pop hl
        .endif
        ld bc,66 << 8 | MEMORY
        jp write_to
; Wait until the memory answers.
poll:   ld hl,memory_zero
        ld bc,1 << 8 | MEMORY
        call write_to
        jr c,poll
        ret
zero_seconds:
        .byte 0,0
memory_zero:
        .byte 0,0
page_one:
        .byte 0x01,0x00
        .ascii "entry one: high water 07:12, 4.31 m, berth 3 ................!!!"
page_two:
        .byte 0x01,0x40
        .ascii "entry two: low water 13:25, 0.92 m, berth 3 .................!!!"
gauge:  .asciz "\r\ngauge: "
differs:
        .asciz "\r\nthe memory is not as it was written"
        .bss
        .comm now,3
        .comm before,1
        .comm value,5
        .comm page,128
