; the card, 8 bits, polled. Carry: failed, and why is in error.
        .include "hold.inc"
        .section .text,"ax"
        .globl  cf_start, cf_read, cf_write

cf_start:
        call    cf_ready
        ret     c
        outp    CF_HEAD, 0xE0
        outp    CF_FEAT, 0x01           ; eight bits wide
        outp    CF_CMD, 0xEF
        jr      cf_end

; not busy and ready, within a second or so
cf_ready:
        ld      b, 3
        ld      de, 0
cfr1:   in      a, (CF_CMD)
        and     0xC0
        cp      0x40
        ret     z
        dec     de
        ld      a, d
        or      e
        jr      nz, cfr1
        djnz    cfr1
        ld      a, E_READY
        jr      cf_fail

; data wanted or there
cf_drq: ld      b, 3
        ld      de, 0
cfd1:   in      a, (CF_CMD)
        bit     7, a
        jr      nz, cfd2
        bit     0, a
        jr      nz, cf_why
        bit     3, a
        ret     nz
cfd2:   dec     de
        ld      a, d
        or      e
        jr      nz, cfd1
        djnz    cfd1
        ld      a, E_NODRQ
        jr      cf_fail

cf_end: call    cf_ready
        ret     c
        in      a, (CF_CMD)
        rrca                            ; ERR
        ret     nc
cf_why: in      a, (CF_FEAT)
        bit     6, a
        ld      a, E_UNC
        jr      nz, cf_fail
        ld      a, E_ABRT
cf_fail:
        ld      (error), a
        scf
        ret

; sector lba, one of it
cf_aim: call    cf_ready
        ret     c
        outp    CF_CNT, 1
        ld      a, (lba)
        out     (CF_LBA0), a
        outp    CF_LBA1, 0
        out     (CF_LBA2), a
        outp    CF_HEAD, 0xE0
        or      a
        ret

cf_write:
        call    cf_aim
        ret     c
        outp    CF_CMD, 0x30
        call    cf_drq
        ret     c
        ld      hl, (here)
        ld      bc, CF_DATA
        otir
        otir
        jr      cf_end

cf_read:
        call    cf_aim
        ret     c
        outp    CF_CMD, 0x20
        call    cf_drq
        ret     c
        ld      hl, (here)
        ld      bc, CF_DATA
        inir
        inir
        jr      cf_end
