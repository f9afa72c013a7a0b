/* The tides of a week in C, then HALT: main returns to the start-up code. */
__sfr __at 0x20 DATA;
__sfr __at 0x21 CONTROL;

static const unsigned char setup[] = {0x18, 4, 0x44, 3, 0xC1, 5, 0xEA};
static unsigned int levels[7];

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

static void number(unsigned int n)
{
    if (n >= 10)
        number(n / 10);
    put('0' + n % 10);
}

void main(void)
{
    unsigned char day, i;
    for (i = 0; i < sizeof setup; i++)
        CONTROL = setup[i];
    for (day = 0; day < 7; day++)
        levels[day] = 250 + (unsigned int)day * day * 37 % 190;
    for (day = 0; day < 7; day++) {
        text("day ");
        number(day + 1);
        text(": ");
        number(levels[day]);
        text(" cm\r\n");
    }
}
