/* shed.c: look up what lies in which box. The lists are on a card:
 *   sector 0   "SHED", number of lists, then 16 bytes each: name (12), first sector, sectors,
 *              bytes in the last one (2)
 */
#include "shed.h"

#define LINE 40

struct entry {
    char name[12];
    u8 first;
    u8 count;
    u16 rest;
};

struct command {
    const char *name;
    void (*run)(const char *rest);
    const char *help;
};

static u8 sector[512];
static char line[LINE];
static u8 lists;

static u8 same(const char *a, const char *b)
{
    while (*a && *a == *b) {
        a++;
        b++;
    }
    return *a == *b;
}

static u8 get(u16 number)
{
    u8 e = cf_read(number, sector);

    if (e) {
        print("card: ");
        print(cf_error(e));
        print("\n");
        return 0;
    }
    return 1;
}

static u8 get_index(void)
{
    if (!get(0))
        return 0;
    if (sector[0] != 'S' || sector[1] != 'H' || sector[2] != 'E' || sector[3] != 'D') {
        print("this is no card of the shed\n");
        return 0;
    }
    lists = sector[4];
    return 1;
}

static void do_list(const char *rest)
{
    const struct entry *e = (const struct entry *)(sector + 16);
    u8 n;

    (void)rest;
    if (!get_index())
        return;
    for (n = 0; n < lists; n++, e++) {
        print(e->name);
        tty_put(' ');
        print_num((e->count - 1) * 512 + e->rest);
        print(" bytes\n");
    }
}

static void do_show(const char *rest)
{
    const struct entry *e = (const struct entry *)(sector + 16);
    u8 n, first, count;
    u16 i, tail, end;

    if (!get_index())
        return;
    for (n = 0; n < lists; n++, e++)
        if (same(e->name, rest))
            goto found;
    print("no such list\n");
    return;
found:
    first = e->first;
    count = e->count;
    tail = e->rest;
    for (n = 0; n < count; n++) {
        if (!get(first + n))
            return;
        end = n == count - 1 ? tail : 512;
        for (i = 0; i < end; i++) {
            if (sector[i] == '\n')
                tty_put('\r');
            tty_put(sector[i]);
        }
    }
}

static u16 number(const char *s)
{
    u16 v = 0;

    while (*s >= '0' && *s <= '9')
        v = v * 10 + (*s++ - '0');
    return v;
}

static void do_sum(const char *rest)
{
    u16 i, sum = 0, n = number(rest);

    if (!get(n))
        return;
    for (i = 0; i < 512; i++)
        sum += sector[i];
    print("sector ");
    print_num(n);
    print(" sums to ");
    print_hex(sum >> 8);
    print_hex(sum);
    print("\n");
}

static void do_dump(const char *rest)
{
    u8 i;

    if (!get(number(rest)))
        return;
    for (i = 0; i < 32; i++) {
        print_hex(sector[i]);
        print((i & 15) == 15 ? "\n" : " ");
    }
}

static void do_help(const char *rest);

static const struct command commands[] = {
    { "help", do_help, "what there is" },
    { "list", do_list, "names of the lists" },
    { "show", do_show, "NAME: print a list" },
    { "sum", do_sum, "N: add up a sector" },
    { "dump", do_dump, "N: begin of a sector" },
    { 0, 0, 0 },
};

static void do_help(const char *rest)
{
    const struct command *c;

    (void)rest;
    for (c = commands; c->name; c++) {
        print(c->name);
        print("\t");
        print(c->help);
        print("\n");
    }
}

static void obey(void)
{
    const struct command *c;
    char *rest = line;

    while (*rest && *rest != ' ')
        rest++;
    if (*rest)
        *rest++ = 0;
    for (c = commands; c->name; c++) {
        if (same(c->name, line)) {
            c->run(rest);
            return;
        }
    }
    print(line);
    print("? try help\n");
}

void main(void)
{
    u8 e;

    tty_open();
    __asm__("ei");
    print("\nTool shed index\n");
    e = cf_open();
    print("card: ");
    print(cf_error(e));
    print("\n");
    for (;;) {
        print("shed: ");
        if (tty_line(line, LINE))
            obey();
    }
}
