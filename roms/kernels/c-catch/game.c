/* game.c - BALL IN THE GUTTER
 *
 * A ball rolls to and fro in a gutter. Before it is let go you say whether it will stop left
 * or right of the middle. Three balls a game. The balls are always the same ones, so you may
 * learn them by heart.
 */
#include "hw.h"

#define WIDTH   16
#define BALLS   3
#define PATIENCE 250            /* frames for an answer */

#define ASK     0
#define ROLL    1
#define JUDGE   2
#define OVER    3

uc state;
uc ball, score, games;
char guess;
char gutter[WIDTH + 1];
int where, speed;
uc rolls;
ui dice = 0x1D2B;

ui throw(void)
{
    uc bit;

    bit = (dice ^ (dice >> 2) ^ (dice >> 3) ^ (dice >> 5)) & 1;
    dice = (dice >> 1) | ((ui)bit << 15);
    return dice;
}

/* Between 9 and 15, and odd: so the ball never stops where it started. */
uc howlong(void)
{
    uc n;

    do {
        n = throw() & 15;
    } while (n < 9 || !(n & 1));
    return n;
}

void draw(void)
{
    uc i;

    for (i = 0; i < WIDTH; ++i) gutter[i] = '.';
    gutter[where] = 'o';
    gutter[WIDTH] = 0;
    out('\r');
    say(gutter);
}

uc ask(void)
{
    uc t;

    say("ball ");
    num(ball + 1);
    say(", l or r? ");
    fromnow();
    for (t = 0; t < PATIENCE; ++t) {
        guess = key();
        if (guess == 'l' || guess == 'r') {
            out(guess);
            say("\r\n");
            where = WIDTH / 2;
            speed = (throw() & 1) ? 1 : -1;
            rolls = howlong();
            return ROLL;
        }
        frames(1);
    }
    say("too slow\r\n");
    guess = 0;
    return JUDGE;
}

uc roll(void)
{
    draw();
    frames(5);
    where += speed;
    if (where < 0) {
        where = 1;
        speed = -speed;
    }
    if (where > WIDTH - 1) {
        where = WIDTH - 2;
        speed = -speed;
    }
    if (--rolls) return ROLL;
    draw();
    return JUDGE;
}

uc judge(void)
{
    char side;

    side = where < WIDTH / 2 ? 'l' : 'r';
    if (guess == side) {
        ++score;
        say(" yes\r\n");
    } else
        say(" no\r\n");
    if (++ball < BALLS) return ASK;
    say("right ");
    num(score);
    say(" of ");
    num(BALLS);
    say("\r\nanother game, y? ");
    ++games;
    return OVER;
}

uc over(void)
{
    if (key() != 'y') return OVER;
    say("y\r\n");
    ball = 0;
    score = 0;
    return ASK;
}

uc (*const todo[])(void) = { ask, roll, judge, over };

void main(void)
{
    hwinit();
    say("\r\nBALL IN THE GUTTER\r\n");
    fromnow();
    frames(10);
    while (1)
        state = todo[state]();
}
