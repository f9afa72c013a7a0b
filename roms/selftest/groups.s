; The groups of the exerciser. The word in memory stands at `word`; cases that go through HL, IX or
; IY point there.
        .include "case.inc"
        .text
        .global groups, word, vector, state, mask, result, crc, own_sp, table
groups: group t_alu,  0x80,0,0,0,       0x1234,word-2,word-3,word,0x5678,0x00BC,0x0000
        masks 0x3F,0,0,0,               0,0,0,0,0,0xFF00,0xFF01
        group t_imm,  0xC6,0,0,0,       0x1234,word,word,word,0x5678,0x9ABC,0x0000
        masks 0x38,0xFF,0,0,            0,0,0,0,0,0,0x0F01
        group t_inc,  0x04,0,0,0,       0x12FF,word,word,word,0x7FF0,0x800F,0x5500
        masks 0x39,0,0,0,               0x00FF,0,0,0,0x0F00,0,0x0001
        group t_daa,  0x27,0,0,0,       0x1234,word,word,word,0x5678,0x9ABC,0x0000
        masks 0x18,0,0,0,               0,0,0,0,0,0,0xFFFF
        group t_add,  0x09,0,0,0,       0x1234,word,word,0x0000,0x4321,0xFEDC,0x0000
        masks 0x30,0,0,0,               0,0,0,0xF00F,0x0801,0,0x0001
        group t_adc,  0xED,0x42,0,0,    0x1234,word,word,0x0000,0x4000,0xFE5C,0x0000
        masks 0,0x38,0,0,               0,0,0,0xF0FF,0x0803,0,0x0001
        group t_addx, 0xDD,0x09,0,0,    0x1234,0x0000,0x0000,word,0x4321,0xFEDC,0x0000
        masks 0x20,0x30,0,0,            0,0x8810,0x8811,0,0x8000,0,0x0001
        group t_rot,  0x07,0,0,0,       0x1234,word,word,word,0x5678,0x9ABC,0x0000
        masks 0x18,0,0,0,               0,0,0,0,0,0,0xFFD7
        group t_shft, 0xCB,0x00,0,0,    0x1200,word,word,word,0x5600,0x9ABC,0x0000
        masks 0,0x3F,0,0,               0x00C3,0,0,0,0x0081,0,0x8101
        group t_bit,  0xCB,0x40,0,0,    0x1200,word,word,word,0x5600,0x9ABC,0x0000
        masks 0,0xBF,0,0,               0x00C3,0,0,0,0,0,0x8101
        group t_ix,   0xDD,0x86,1,0,    0x1200,word-1,word-1,word,0x5678,0x9ABC,0x0000
        masks 0x20,0x38,0,0,            0xFF00,0,0,0,0,0,0x1301
        group t_ixcb, 0xDD,0xCB,1,0x06, 0x1200,word-1,word-1,word,0x5678,0x9ABC,0x0000
        masks 0x20,0,0,0xF8,            0xFF00,0,0,0,0,0,0x0001
        group t_ld,   0x40,0,0,0,       0x1234,word,word,word,0x5678,0x9ABC,0xDE00
        masks 0x2F,0,0,0,               0,0,0,0,0x1111,0x8100,0x0100
        group t_blk,  0xED,0xA0,0,0,    0x1234,word,word,word,result+14,0x0000,0x3400
        masks 0,0x09,0,0,               0x00FF,0,0,0,0,0x0003,0x0101
        group t_rrd,  0xED,0x67,0,0,    0x1200,word,word,word,0x5678,0x9ABC,0x0000
        masks 0,0x08,0,0,               0x00FF,0,0,0,0,0,0xF300
        group t_neg,  0xED,0x44,0,0,    0x1234,word,word,word,0x5678,0x9ABC,0x0000
        masks 0,0,0,0,                  0,0,0,0,0,0,0xFFD7
        .dw 0

t_alu:  .ascii "alu a,r            $"
t_imm:  .ascii "alu a,n            $"
t_inc:  .ascii "inc, dec r         $"
t_daa:  .ascii "daa cpl scf ccf    $"
t_add:  .ascii "add hl,rr          $"
t_adc:  .ascii "adc, sbc hl,rr     $"
t_addx: .ascii "add ix,rr  iy      $"
t_rot:  .ascii "rlca rrca rla rra  $"
t_shft: .ascii "shifts r           $"
t_bit:  .ascii "bit, set r         $"
t_ix:   .ascii "alu a,(ix+d)  iy   $"
t_ixcb: .ascii "cb (ix+d)  iy      $"
t_ld:   .ascii "ld r,r             $"
t_blk:  .ascii "ldi cpi ldd cpd    $"
t_rrd:  .ascii "rrd rld            $"
t_neg:  .ascii "neg                $"

        .bss
own_sp: .space 2
word:   .space 4
vector: .space 4
state:  .space 16
mask:   .space 20
result: .space 16
crc:    .space 4
table:  .space 1024
