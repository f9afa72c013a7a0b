; mailroom: console on SIO channel A, both ways by interrupt
        .include "defs.inc"
        .global con_tx_isr, con_rx_isr, con_err_isr
        .global put_char, put_text, put_hex, put_crlf, get_char, con_lock, con_free

TX_SIZE         equ     32
RX_SIZE         equ     16

        .section .text

; ---- interrupts ------------------------------------------------------------------
con_tx_isr:
        push    af
        push    hl
        push    bc
        ld      a,(tx_count)
        or      a
        jr      z,1f
        dec     a
        ld      (tx_count),a
        ld      a,(tx_tail)
        ld      c,a
        inc     a
        and     TX_SIZE-1
        ld      (tx_tail),a
        ld      b,0
        ld      hl,tx_ring
        add     hl,bc
        ld      a,(hl)
        out     (SIO_A_DATA),a
        ld      hl,tx_count
        call    wake
        jr      2f
1:      ld      (tx_busy),a             ; a = 0
        ld      a,0x28                  ; nothing left: drop the request
        out     (SIO_A_CTRL),a
2:      pop     bc
        pop     hl
        pop     af
        ei
        reti

con_err_isr:
        push    af
        ld      a,0x30
        out     (SIO_A_CTRL),a
        in      a,(SIO_A_DATA)
        pop     af
        ei
        reti

con_rx_isr:
        push    af
        push    hl
        push    bc
        in      a,(SIO_A_DATA)
        ld      c,a
        ld      hl,rx_count
        ld      a,(hl)
        cp      RX_SIZE
        jr      nc,1f                   ; no room: the key is lost
        inc     (hl)
        call    wake
        ld      a,(rx_head)
        ld      b,a
        inc     a
        and     RX_SIZE-1
        ld      (rx_head),a
        ld      a,c
        ld      c,b
        ld      b,0
        ld      hl,rx_ring
        add     hl,bc
        ld      (hl),a
1:      pop     bc
        pop     hl
        pop     af
        ei
        reti

; ---- for tasks -------------------------------------------------------------------
; a = character; keeps all but a and flags
put_char:
        push    hl
        push    bc
        ld      c,a
1:      di
        ld      a,(tx_count)
        cp      TX_SIZE
        jr      c,2f
        ld      hl,tx_count
        call    block
        jr      1b
2:      ld      hl,tx_busy
        bit     0,(hl)
        jr      nz,3f
        inc     (hl)                    ; line is quiet: this one goes out directly
        ld      a,c
        out     (SIO_A_DATA),a
        jr      4f
3:      inc     a
        ld      (tx_count),a
        ld      a,(tx_head)
        ld      b,a
        inc     a
        and     TX_SIZE-1
        ld      (tx_head),a
        ld      a,c
        ld      c,b
        ld      b,0
        ld      hl,tx_ring
        add     hl,bc
        ld      (hl),a
4:      ei
        pop     bc
        pop     hl
        ret

; next key in a
get_char:
        di
        ld      hl,rx_count
        ld      a,(hl)
        or      a
        jr      nz,1f
        call    block
        jr      get_char
1:      dec     (hl)
        ld      a,(rx_tail)
        ld      c,a
        inc     a
        and     RX_SIZE-1
        ld      (rx_tail),a
        ld      b,0
        ld      hl,rx_ring
        add     hl,bc
        ld      a,(hl)
        ei
        ret

; hl = text, ends with 0
put_text:
        ld      a,(hl)
        or      a
        ret     z
        inc     hl
        call    put_char
        jr      put_text

put_crlf:
        ld      a,13
        call    put_char
        ld      a,10
        jp      put_char

; de = number, four digits
put_hex:
        ld      a,d
        call    1f
        ld      a,e
1:      push    af
        rrca
        rrca
        rrca
        rrca
        call    2f
        pop     af
2:      and     15
        cp      10
        jr      c,3f
        add     a,7
3:      add     a,'0'
        jp      put_char

; A whole line belongs to one task.
con_lock:
        di
        ld      hl,line_owned
        bit     0,(hl)
        jr      z,1f
        call    block
        jr      con_lock
1:      inc     (hl)
        ei
        ret

con_free:
        di
        ld      hl,line_owned
        ld      (hl),0
        call    wake
        ei
        ret

        .section .bss
tx_ring:        ds      TX_SIZE
rx_ring:        ds      RX_SIZE
tx_head:        ds      1
tx_tail:        ds      1
tx_count:       ds      1
tx_busy:        ds      1
rx_head:        ds      1
rx_tail:        ds      1
rx_count:       ds      1
line_owned:     ds      1
