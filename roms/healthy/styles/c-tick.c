/* A clock in C: an interrupt counts, main prints the seconds for ever and reads no key. */
__sfr __at 0x20 DATA;
__sfr __at 0x21 CONTROL;
__sfr __at 0x28 TIMER;

static const unsigned char setup[] = {0x18, 4, 0x44, 3, 0xC1, 5, 0xEA};
static volatile unsigned char ticks;

void tick(void) __interrupt
{
    ticks++;
}

static void put(char c)
{
    while (!(CONTROL & 4))
        ;
    DATA = c;
}

static void number(unsigned int n)
{
    if (n >= 10)
        number(n / 10);
    put('0' + n % 10);
}

void main(void)
{
    unsigned int seconds = 0;
    unsigned char i, from;
    for (i = 0; i < sizeof setup; i++)
        CONTROL = setup[i];
    TIMER = 0x08;
    TIMER = 0xA7;
    TIMER = 240;
    __asm__("im 2");
    __asm__("ei");
    from = ticks;
    for (;;) {
        number(seconds++);
        put('\r');
        put('\n');
        while ((unsigned char)(ticks - from) < 100)
            ;
        from += 100;
    }
}
