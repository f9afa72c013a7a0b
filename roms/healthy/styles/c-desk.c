/* A desk in C: keys come by interrupt into a ring, the tick counts, `s` sleeps a second. */
__sfr __at 0x20 DATA;
__sfr __at 0x21 CONTROL;
__sfr __at 0x23 CONTROL_B;
__sfr __at 0x28 TIMER;

static const unsigned char setup[] = {0x18, 4, 0x44, 3, 0xC1, 5, 0xEA, 1, 0x18};
static volatile unsigned char ring[16];
static volatile unsigned char head, ticks;
static unsigned char tail;

void tick(void) __interrupt
{
    ticks++;
}

void received(void) __interrupt
{
    ring[head] = DATA;
    head = (head + 1) & 15;
}

static void put(char c)
{
    while (!(CONTROL & 4))
        ;
    DATA = c;
}

static void text(const char *s)
{
    while (*s)
        put(*s++);
}

static char key(void)
{
    char c;
    while (head == tail)
        __asm__("halt");
    c = ring[tail];
    tail = (tail + 1) & 15;
    return c;
}

static void sleep(unsigned char n)
{
    unsigned char from = ticks;
    while ((unsigned char)(ticks - from) < n)
        __asm__("halt");
}

void main(void)
{
    unsigned char i;
    char c;
    head = tail = ticks = 0;
    CONTROL_B = 2;
    CONTROL_B = 0x10;
    for (i = 0; i < sizeof setup; i++)
        CONTROL = setup[i];
    TIMER = 0x08;
    TIMER = 0xA7;
    TIMER = 240;
    __asm__("im 2");
    __asm__("ei");
    text("c desk\r\n");
    for (;;) {
        text("c> ");
        c = key();
        put(c);
        if (c == 's')
            sleep(100);
        text("\r\n");
    }
}
