;=============================================================================
; Ribbon - handlers, and the coroutines along the tape
;=============================================================================
        .include "Ports.inc"
        .global On_Punched, On_Tape, Reader, Expander, Grouper, Keys

.macro  Ask     Record
        ld      ix,\Record
        call    Co_Next
.endm

        .text
;------------------------------------------------------------------- handlers
On_Punched:
        push    af
        ld      a,1
        ld      (PunchFree),a
        pop     af
        ei
        reti

; A byte lies in the PIO.  With the ring full it stays there (BRDY stays low, so the
; tape stands), and the reader fetches it when it has made room.
On_Tape:
        push    af
        push    hl
        ld      a,(RingUsed)
        cp      RingSize
        jr      nc,1f
        call    Take
        jr      2f
1:      ld      a,1
        ld      (Held),a
2:      pop     hl
        pop     af
        ei
        reti

; Byte from the PIO into the ring; interrupts off.  Spoils AF, HL.
Take:   push    de
        ld      hl,RingUsed
        inc     (hl)
        ld      a,(RingIn)
        ld      e,a
        inc     a
        and     RingSize-1
        ld      (RingIn),a
        ld      d,0
        ld      hl,Ring
        add     hl,de
        in      a,(PioDataB)
        ld      (hl),a
        pop     de
        ret

;--------------------------------------------------------------------- Reader
Reader: ld      a,(RingUsed)
        or      a
        jr      nz,1f
        call    Pause
        jr      Reader
1:      di
        ld      hl,RingUsed
        dec     (hl)
        ld      a,(RingOut)
        ld      e,a
        inc     a
        and     RingSize-1
        ld      (RingOut),a
        ld      d,0
        ld      hl,Ring
        add     hl,de
        ld      c,(hl)
        ld      a,(Held)
        or      a
        jr      z,2f
        xor     a
        ld      (Held),a
        call    Take
2:      ei
        ld      a,c
        call    Co_Give
        jr      Reader

;------------------------------------------------------------------- Expander
; "3a" becomes "aaa", "!" is the end.  Asked after the end it says so again.
Expander:
        Ask     ReaderCo
        cp      '!'
        jr      z,3f
        sub     '0'
        ld      b,a
        Ask     ReaderCo
        ld      c,a
1:      ld      a,c
        call    Co_Give
        djnz    1b
        jr      Expander
3:      xor     a
        call    Co_Give
        jr      3b

;-------------------------------------------------------------------- Grouper
; Threes with a blank between, six of them to a line.
Grouper:
        ld      d,6
1:      ld      b,3
2:      Ask     ExpandCo
        or      a
        jr      z,4f
        call    Co_Give
        djnz    2b
        dec     d
        jr      z,3f
        ld      a,' '
        call    Co_Give
        jr      1b
3:      ld      a,10
        call    Co_Give
        jr      Grouper
4:      call    Co_Give                 ; A = 0
        jr      4b

;----------------------------------------------------------------------- Keys
Keys:   in      a,(UartStatus)
        and     0x01
        jr      z,1f
        in      a,(UartData)
        ld      (Key),a
1:      call    Co_Give
        jr      Keys

        .section .bss
Ring:      .space RingSize
RingIn:    .space 1
RingOut:   .space 1
RingUsed:  .space 1
Held:      .space 1
Key:       .space 1
           .global Key
; Stacks, and the vectors above them
        .section .stacks,"aw",@nobits
        .global ReaderTop, ExpandTop, GroupTop, KeysTop, MainTop
        .space  64
ReaderTop: .space 64
ExpandTop: .space 64
GroupTop:  .space 64
KeysTop:   .space 96
MainTop:
