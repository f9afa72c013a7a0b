/* Round robin of three tasks in C. Ticks come from channel 0 of a Z80 CTC in mode 2 (or, with
   MODE1, in mode 1); when nobody is due the CPU halts. The console is a polled 6850-type chip. */
__sfr __at 0x28 ctc;
__sfr __at 0x30 acia_control;
__sfr __at 0x31 acia_data;

struct task { unsigned int sp; unsigned int wake; unsigned char waits; };
static struct task tasks[3];
static struct task *current, *from;
static volatile unsigned int ticks;
static unsigned char stack_a[96], stack_b[96];
static unsigned int lamp;
#ifdef SEMAPHORE
static volatile unsigned char done;
#endif

void vector0(void) __critical __interrupt(0) { ticks++; }
void vector1(void) __critical __interrupt(1) { }
void vector2(void) __critical __interrupt(2) { }
void vector3(void) __critical __interrupt(3) { }
#ifdef MODE1_TICK
void mode1_handler(void) __critical __interrupt(4) { ticks++; }
#else
void mode1_handler(void) __critical __interrupt(4) { }
#endif

static void set_up(void) __naked {
__asm
#ifdef IM1
    im 1
#else
    xor a
    ld i,a
    im 2
#endif
    ei
    ret
__endasm;
}

static void change(void) __naked {
__asm
    push ix
    ld hl,#0
    add hl,sp
    ex de,hl
    ld hl,(_from)
    ld (hl),e
    inc hl
    ld (hl),d
    ld hl,(_current)
    ld e,(hl)
    inc hl
    ld d,(hl)
    ex de,hl
    ld sp,hl
    pop ix
    ret
__endasm;
}

static unsigned int now(void) {
    unsigned int a, b;
    do { a = ticks; b = ticks; } while (a != b);
    return a;
}

static void schedule(void) {
    unsigned char k, n;
    struct task *t = current;
    n = t - tasks;
    for (;;) {
        for (k = 0; k < 3; k++) {
            n = n == 2 ? 0 : n + 1;
            t = tasks + n;
            if (!t->waits || (int)(now() - t->wake) >= 0) {
                t->waits = 0;
                from = current;
                current = t;
                change();
                return;
            }
        }
        __asm__("halt");
    }
}

static void nap(unsigned int many) {
    current->wake = now() + many;
    current->waits = 1;
    schedule();
}

static void put(char c) {
    while (!(acia_control & 2)) { }
    acia_data = c;
}

static void print(const char *s) { while (*s) put(*s++); }

static void blink(void) { for (;;) { nap(50); lamp ^= 1; } }

static void count(void) {
    unsigned int n = 0;
    for (;;) {
        nap(100);
        lamp = n += 2;
#ifdef POSTS
        done = 1;
#endif
    }
}

static void start(struct task *t, unsigned char *top, void (*entry)(void)) {
    unsigned int *p = (unsigned int *)top;
    *--p = (unsigned int)entry;
    *--p = 0;
    t->sp = (unsigned int)p;
}

void main(void) {
    acia_control = 3;
    acia_control = 0x15;
#ifndef NO_TIMER
    ctc = 0x40;
    ctc = 0xA7;
    ctc = 156;
#endif
    start(tasks + 1, stack_a + 96, blink);
    start(tasks + 2, stack_b + 96, count);
    current = tasks;
    set_up();
    print("\r\nstarting\r\n");
    nap(20);
#ifdef SEMAPHORE
    while (!done) nap(5);
#endif
    print("> ");
    for (;;) {
        if (acia_control & 1) {
            char c = acia_data;
            put(c);
            if (c == 13) print("\n> ");
        }
        nap(1);
    }
}
