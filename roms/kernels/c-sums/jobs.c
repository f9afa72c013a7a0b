/* The sums themselves. Nothing here knows of the board. */
#include "jobs.h"
#include <stdbool.h>

#define SIEVE 6000
#define ORDER 6
#define BOARD 6

static uint8_t composite[SIEVE];
static const char digits[] = "123456789";

/* Primes below SIEVE. */
uint32_t primes(void)
{
    uint16_t n, multiple, count = 0;

    for (n = 2; n < SIEVE; ++n) {
        if (composite[n])
            continue;
        ++count;
        for (multiple = n + n; multiple < SIEVE; multiple += n)
            composite[multiple] = true;
    }
    return count;
}

/* Polynomial 1021h, preset FFFFh, bit by bit. */
uint32_t crc16(void)
{
    uint16_t crc = 0xFFFF;
    uint8_t i, bit;

    for (i = 0; i < sizeof digits - 1; ++i) {
        crc ^= (uint16_t)digits[i] << 8;
        for (bit = 0; bit < 8; ++bit)
            crc = crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1;
    }
    return crc;
}

static uint32_t crc_table[256];

/* Polynomial EDB88320h reflected, by a table. */
uint32_t crc32(void)
{
    uint32_t crc;
    uint16_t n;
    uint8_t bit;

    for (n = 0; n < 256; ++n) {
        crc = n;
        for (bit = 0; bit < 8; ++bit)
            crc = crc & 1 ? crc >> 1 ^ 0xEDB88320UL : crc >> 1;
        crc_table[n] = crc;
    }
    crc = 0xFFFFFFFFUL;
    for (n = 0; n < sizeof digits - 1; ++n)
        crc = crc >> 8 ^ crc_table[(uint8_t)(crc ^ digits[n])];
    return ~crc;
}

typedef uint16_t square[ORDER][ORDER];

static square left, right, product;
static uint16_t scale = 3;

static void fill(void)
{
    uint8_t i, j;

    for (i = 0; i < ORDER; ++i) {
        for (j = 0; j < ORDER; ++j) {
            left[i][j] = i == j;
            right[i][j] = (i * scale + j * 5 + 1) % 17;
        }
    }
}

static void multiply(void)
{
    uint8_t i, j, k;
    uint16_t sum;

    for (i = 0; i < ORDER; ++i) {
        for (j = 0; j < ORDER; ++j) {
            sum = 0;
            for (k = 0; k < ORDER; ++k)
                sum += left[i][k] * right[k][j];
            product[i][j] = sum;
        }
    }
}

/* The twelfth power of a square, modulo 65536: the trace. */
uint32_t matrix(void)
{
    uint8_t power, i, j;
    uint16_t trace = 0;

    fill();
    for (power = 0; power < 12; ++power) {
        multiply();
        for (i = 0; i < ORDER; ++i)
            for (j = 0; j < ORDER; ++j)
                left[i][j] = product[i][j];
    }
    for (i = 0; i < ORDER; ++i)
        trace += left[i][i];
    return trace;
}

/* Halve, or treble and add one: the longest way down to 1 from 700 to 709. */
uint32_t hailstones(void)
{
    uint16_t start, steps, longest = 0;

    for (start = 700; start < 710; ++start) {
        uint32_t n = start;
        steps = 0;
        while (n != 1) {
            n = n & 1 ? 3 * n + 1 : n / 2;
            ++steps;
        }
        if (steps > longest)
            longest = steps;
    }
    return longest;
}

static uint8_t column[BOARD];

static bool safe(uint8_t row)
{
    uint8_t r, apart;

    for (r = 0; r < row; ++r) {
        apart = column[r] > column[row] ? column[r] - column[row] : column[row] - column[r];
        if (apart == 0 || apart == row - r)
            return false;
    }
    return true;
}

static uint16_t place(uint8_t row)
{
    uint16_t ways = 0;
    uint8_t c;

    if (row == BOARD)
        return 1;
    for (c = 0; c < BOARD; ++c) {
        column[row] = c;
        if (safe(row))
            ways += place(row + 1);
    }
    return ways;
}

/* Ways to put queens on a board of six by six. */
uint32_t queens(void)
{
    return place(0);
}
