; mailroom: reset, chips, vectors, first task
        .include "defs.inc"
        .global reset

        .section .reset,"ax"
reset:
        di
        jp      cold

        .section .text
cold:
        ld      sp,boot_top
        ld      hl,bss_start
        ld      de,bss_start+1
        ld      bc,bss_size-1
        ld      (hl),0
        ldir

        im      2
        ld      hl,vectors
        ld      a,h
        ld      i,a
        ld      a,l                     ; 00h: CTC takes 00-07, SIO 10-1F
        out     (CTC0),a

        ; 1.2288 MHz / 4 = 307.2 kHz = 16 * 19200
        ld      a,0x57
        out     (CTC0),a
        ld      a,4
        out     (CTC0),a

        ld      hl,sio_b_setup
        ld      bc,(sio_b_end-sio_b_setup)*256+SIO_B_CTRL
        otir
        ld      hl,sio_a_setup
        ld      bc,(sio_a_end-sio_a_setup)*256+SIO_A_CTRL
        otir

        ; tasks
        ld      iy,task_list
        ld      ix,tcbs
        ld      b,NTASKS
1:      call    task_make
        djnz    1b
        ld      hl,tcbs                 ; the last one leads back to the first
        ld      (tcbs+(NTASKS-1)*T_SIZE+T_NEXT),hl

        ; 5.12 MHz / 256 / 200 = 100 Hz
        ld      a,0xa7
        out     (CTC3),a
        ld      a,200
        out     (CTC3),a

        ld      ix,tcbs
        ld      (current),ix
        jp      switch_in

; One row of task_list (iy) into one block (ix): entry, stack top.
task_make:
        ld      l,(iy+2)
        ld      h,(iy+3)
        dec     hl
        ld      a,(iy+1)
        ld      (hl),a
        dec     hl
        ld      a,(iy+0)
        ld      (hl),a
        ld      de,-FRAME
        add     hl,de
        ld      (ix+T_SP),l
        ld      (ix+T_SP+1),h
        push    ix
        pop     hl
        ld      de,T_SIZE
        add     hl,de
        ld      (ix+T_NEXT),l
        ld      (ix+T_NEXT+1),h
        push    hl
        pop     ix
        ld      de,4
        add     iy,de
        ret

stray:                                  ; a vector nobody asked for
        ei
        reti

task_list:
        dw      sampler,stack_sampler+STACK
        dw      filter,stack_filter+STACK
        dw      printer,stack_printer+STACK
        dw      summer,stack_summer+STACK
        dw      shell,stack_shell+STACK
        dw      idle,stack_idle+STACK

sio_b_setup:
        db      0x18                    ; channel reset
        db      2,0x10                  ; vector
        db      1,0x04                  ; status affects vector, nothing else from B
sio_b_end:

sio_a_setup:
        db      0x18
        db      4,0x44                  ; x16, one stop, no parity
        db      1,0x12                  ; every receive, and transmit
        db      3,0xc1                  ; 8 bits, receiver on
        db      5,0xea                  ; DTR, 8 bits, transmitter on, RTS
sio_a_end:

        .section .vectors,"a"
        .balign 256
vectors:
        dw      stray,stray,stray,tick_isr              ; CTC 0-3
        dw      stray,stray,stray,stray                 ; free
        dw      stray,stray,stray,stray                 ; SIO B
        dw      con_tx_isr,stray,con_rx_isr,con_err_isr ; SIO A

        .section .bss
        .global current
current:        ds      2
tcbs:           ds      NTASKS*T_SIZE
        .global tcbs
                ds      48
boot_top:
stack_sampler:  ds      STACK
stack_filter:   ds      STACK
stack_printer:  ds      STACK
stack_summer:   ds      STACK
stack_shell:    ds      STACK
stack_idle:     ds      STACK
