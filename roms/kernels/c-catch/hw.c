/* hw.c - terminal and clock, both without interrupts */
#include "hw.h"

static uc lastframe;

static const uc siocode[] = {
    0x18,
    4, 0x44,        /* x16, 8N1 */
    1, 0x00,        /* no interrupts */
    3, 0xC1,        /* receive */
    5, 0xEA         /* send, DTR, RTS */
};

void hwinit(void)
{
    uc i;

    for (i = 0; i < sizeof(siocode); ++i)
        SIOAC = siocode[i];

    /* Channel 0 divides the CPU's clock down to 100 Hz, channel 1 counts that downwards. */
    CTC0 = 0x27;    /* timer, / 256, constant, reset */
    CTC0 = 150;     /* 3.84 MHz / 256 / 150 = 100 Hz */
    CTC1 = 0x47;    /* counter, constant, reset */
    CTC1 = 0;       /* 256 frames round */
}

void out(char c)
{
    while (!(SIOAC & 4)) ;
    SIOAD = c;
}

void say(const char *s)
{
    while (*s) out(*s++);
}

void num(uc n)
{
    if (n > 9) num(n / 10);
    out('0' + n % 10);
}

char key(void)
{
    if (SIOAC & 1) return SIOAD & 0x7F;
    return 0;
}

void fromnow(void)
{
    lastframe = CTC1;
}

void frames(uc n)
{
    while ((uc)(lastframe - CTC1) < n) ;
    lastframe -= n;
}
