/* A driver in C that waits for a queue which the receive handler of a Z80 SIO fills; each line is
   handed on through a second queue. With RX_OFF the chip's receive interrupt stays off. */
__sfr __at 0x20 data_a;
__sfr __at 0x21 control_a;
__sfr __at 0x23 control_b;

static volatile unsigned char fill, take;
static unsigned char queue[32];
static char line[40];

void vector0(void) __critical __interrupt(0) {
    queue[fill & 31] = data_a;
    fill++;
}
void vector1(void) __critical __interrupt(1) { }
void vector2(void) __critical __interrupt(2) { }
void vector3(void) __critical __interrupt(3) { }
void mode1_handler(void) __critical __interrupt(4) { }

static void set_up(void) __naked {
__asm
    xor a
    ld i,a
    im 2
    ei
    ret
__endasm;
}

static void put(char c) {
    while (!(control_a & 4)) { }
    data_a = c;
}

static char get(void) {
    unsigned char c;
    while (take == fill) { }
    c = queue[take & 31];
    take++;
    return c;
}

static unsigned char read_line(char *to) {
    unsigned char n = 0;
    for (;;) {
        char c = get();
        put(c);
        if (c == 13) return n;
        if (n < 39) to[n++] = c;
    }
}

void main(void) {
    unsigned char n;
    control_b = 2; control_b = 0x40;
    control_a = 0x18;
    control_a = 4; control_a = 0x44;
#ifdef RX_OFF
    control_a = 1; control_a = 0x00;
#else
    control_a = 1; control_a = 0x18;
#endif
#ifdef NO_RECEIVER
    control_a = 3; control_a = 0xC0;
#else
    control_a = 3; control_a = 0xC1;
#endif
    control_a = 5; control_a = 0x68;
    set_up();
    for (;;) {
        put('>'); put(' ');
        n = read_line(line);
        put('0' + n / 10); put('0' + n % 10); put(13); put(10);
    }
}
